package logbook_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// open opens a logbook and closes it with the test.
func open(t *testing.T, path string) *logbook.Book {
	t.Helper()
	book, err := logbook.Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := book.Close(); err != nil {
			t.Error(err)
		}
	})
	return book
}

// bookPath names a logbook that does not exist yet, in a folder that does not exist yet.
func bookPath(t *testing.T) string {
	t.Helper()
	return filepath.Join(t.TempDir(), "made", "logbook.db")
}

// flashRun is a run as it stands before the first write.
func flashRun(label, cid string) *logbook.Run {
	return &logbook.Run{
		Device:    "/dev/sdb",
		Label:     label,
		Operation: logbook.OperationFlash,
		StartedAt: time.Date(2026, 3, 4, 5, 6, 7, 890, time.UTC),
		Verdict:   logbook.Unfinished,
		Conditions: logbook.Conditions{
			PortPath: "1-1.2", CardSizeBytes: 31_914_983_424, CardRegisterCID: cid, CardsAtOnce: 1,
		},
	}
}

// ended gives the run the outcome of a good flash.
func ended(run *logbook.Run) *logbook.Run {
	seconds := 12.5
	run.Verdict = logbook.Intact
	run.Pace, run.PaceReason = flash.PaceUnjudged, "nothing is known to judge by"
	run.TimeToFlashSeconds, run.TimeToProvenSeconds, run.SourceWaitSeconds = &seconds, &seconds, &seconds
	run.Write = &flash.Figures{Bytes: 8 << 20, BusySeconds: 0.5, SustainedBytesPerSecond: 16 << 20, Stalls: []flash.Stall{}}
	run.Proof = &verify.Proof{Bytes: 8 << 20, Seconds: 0.1, FromMedium: true, Damage: []verify.Damage{}}
	run.Findings = []partition.Finding{}
	return run
}

// trace is a trace that n tells from others.
func trace(n int) []flash.Sample {
	return []flash.Sample{
		{OffsetBytes: 4 << 20, LengthBytes: 4 << 20, Start: time.Duration(n), Busy: 200 * time.Millisecond},
		{OffsetBytes: 0, LengthBytes: 100 + n, Start: time.Second, Busy: time.Duration(n) * time.Microsecond},
	}
}

// digest gives a digest for a name.
func digest(name string) string {
	sum := sha256.Sum256([]byte(name))
	return hex.EncodeToString(sum[:])
}

// begunImage is what is known of an image before it was read; endedImage is all of it.
func begunImage(name string) source.Facts {
	return source.Facts{Name: name, Format: source.FormatXZ, PackedBytes: int64(1000 + len(name)), Expected: source.Absent}
}

func endedImage(name string) source.Facts {
	image := begunImage(name)
	image.ImageBytes, image.PackedSHA256, image.ImageSHA256 = 8<<20, digest("packed "+name), digest(name)
	return image
}

// cid makes an SD card's CID (SD Physical Layer Specification 4.10, table 5-2): maker 1b, OEM "SM", this name of five
// letters and revision, then the serial number and the date of manufacture.
func cid(name string, revision byte, serial uint32) string {
	return fmt.Sprintf("1b534d%x%02x%08x0125ff", name, revision, serial)
}

// record begins and finishes a run.
func record(t *testing.T, book *logbook.Book, run *logbook.Run, imageName string, samples []flash.Sample) {
	t.Helper()
	if err := book.Begin(t.Context(), run, begunImage(imageName)); err != nil {
		t.Fatal(err)
	}
	if err := book.Finish(t.Context(), ended(run), endedImage(imageName), samples); err != nil {
		t.Fatal(err)
	}
}

// capacityCheck is a check as it stands before its first write.
func capacityCheck(label string, claimedBytes int64) *logbook.CapacityRecord {
	return &logbook.CapacityRecord{
		Device: "/dev/sdb", Bay: "1-1.2", Label: label, StartedAt: time.Date(2026, 3, 4, 5, 6, 7, 890, time.UTC),
		Mode: "quick", ClaimedBytes: claimedBytes, Document: []byte(`{"seed":"a"}`),
	}
}
