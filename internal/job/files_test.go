package job_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
	"cardwright/partition"
	"cardwright/verify"
)

// The boot partition begins in the head, goes through the second block, which holds most of its clusters, and ends in the third.
const (
	bootStart = block - 64<<10
	bootBytes = 5 * mib
)

// bootImage is the orchard's image with a FAT partition before the other, made by the library; its table is that of an MBR.
func bootImage(t testing.TB) []byte {
	t.Helper()
	image := orchardImage()
	copy(image[462:], image[446:462]) // the other partition becomes the second; it begins where this one has only zeros left
	entry := image[446:]
	entry[4] = 0x0C
	little := binary.LittleEndian
	little.PutUint32(entry[8:], bootStart/512)
	little.PutUint32(entry[12:], bootBytes/512)
	little.PutUint32(image[462+8:], 12*mib/512)
	little.PutUint32(image[462+12:], 20*mib/512)
	clear(image[bootStart : bootStart+bootBytes])
	if _, err := fat16.Create(&disk{data: image}, bootBytes, bootStart, 512, "ORCHARD", true); err != nil {
		t.Fatal(err)
	}
	image[block+3*mib] = 1 // so that no other block is like this one
	return image
}

// ownFiles are a card's own: some in the head's block, some in the next.
func ownFiles(label string) []project.File {
	return []project.File{
		{Path: "config.txt", Content: []byte("hostname=" + label + "\n")},
		{Path: "etc/a long name for rows.conf", Content: bytes.Repeat([]byte(label), 30_000)},
	}
}

// withFiles is the image with a card's own files in it, from composing them over the image itself.
func withFiles(t testing.TB, image []byte, files []project.File, at time.Time) []byte {
	t.Helper()
	table, err := partition.Inspect(bytes.NewReader(image), int64(len(image)), 512)
	if err != nil {
		t.Fatal(err)
	}
	change, err := project.Compose(bytes.NewReader(image), table, files, at)
	if err != nil {
		t.Fatal(err)
	}
	whole := bytes.Clone(image)
	for _, r := range change.Ranges {
		copy(whole[r.OffsetBytes:], r.Data)
	}
	return whole
}

// Each card has its own files and beside them the image; the card without files has the image alone.
func TestEachCardGetsItsOwnFiles(t *testing.T) {
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	image := bootImage(t)
	var targets []job.Target
	var cards []*cardlab.Card
	for i, label := range []string{"row 7", "row 8", ""} {
		to, card := target(t, cardlab.Traits{SectorBytes: []int{512, 512, 4096}[i]})
		if label != "" {
			to.Files = ownFiles(label)
		}
		targets, cards = append(targets, to), append(cards, card)
	}
	result := job.Flash(t.Context(), held(image), targets, job.Options{Book: book})
	for i, run := range result.Cards {
		want := image
		if len(targets[i].Files) > 0 {
			want = withFiles(t, image, targets[i].Files, run.StartedAt)
		}
		if !bytes.Equal(cards[i].Truth().Read(0, len(image)), want) {
			t.Errorf("card %d does not hold the image and its files", i)
		}
		if run.Verdict != logbook.Intact || run.Error != nil || run.Proof.Bytes != int64(len(image)) || run.Write.Bytes != int64(len(image)) {
			t.Errorf("card %d: %s, %+v, %+v, %+v", i, run.Verdict, run.Error, run.Proof, run.Write)
		}
		expectFiles(t, run, targets[i].Files, cards[i])
		record, err := book.Show(t.Context(), run.RunID)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(run, record.Run, cmpopts.EquateApproxTime(time.Microsecond), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("the record differs from the result (-printed +recorded):\n%s", diff)
		}
	}
	if findings := result.Cards[0].Findings; len(findings) != 0 {
		t.Errorf("%+v", findings)
	}
	checked := job.Check(t.Context(), held(image), targets[0], job.Options{}).Cards[0]
	want := []verify.Damage{{
		LengthBytes: 2 * block, Kind: verify.KindChanged, Partition: "before the first partition (partition table), partition 1 (fat16 ORCHARD)",
	}}
	if diff := cmp.Diff(want, checked.Proof.Damage); diff != "" {
		t.Errorf("a check against the image alone: %s", diff)
	}
}

// Files that begin between the places where buffers may begin are put there all the same.
func TestFilesBeginAtAnySector(t *testing.T) {
	own := []project.File{{Path: "late.txt", Content: []byte("after all others\n")}}
	apart := 0
	for sectors := range flash.AlignBytes / 512 {
		before := project.File{Path: "before.bin", Content: bytes.Repeat([]byte{0xb5}, 300_000+512*sectors)}
		image := withFiles(t, bootImage(t), []project.File{before}, time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC))
		to, card := target(t, cardlab.Traits{})
		to.Files = own
		run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]
		want := withFiles(t, image, own, run.StartedAt)
		if run.Verdict != logbook.Intact || !bytes.Equal(card.Truth().Read(0, len(image)), want) {
			t.Errorf("%d sectors on: %s, %+v", sectors, run.Verdict, run.Error)
		}
		if begins := block + bytes.IndexByte(diff(image[block:], want[block:]), 1); begins%flash.AlignBytes != 0 {
			apart++
		}
	}
	if apart == 0 {
		t.Error("every file began where a buffer may begin")
	}
}

// diff has a 1 wherever two slices of one length differ.
func diff(a, b []byte) []byte {
	d := make([]byte, len(a))
	for i := range a {
		if a[i] != b[i] {
			d[i] = 1
		}
	}
	return d
}

// expectFiles holds what a run tells of its files against the card, as the library reads it.
func expectFiles(t *testing.T, run logbook.Run, files []project.File, card *cardlab.Card) {
	t.Helper()
	if run.Files == nil || len(run.Files) != len(files) {
		t.Fatalf("%+v", run.Files)
	}
	if len(files) == 0 {
		return
	}
	library, err := fat16.Read(&disk{data: card.Truth().Read(bootStart, bootBytes)}, bootBytes, 0, 512)
	if err != nil {
		t.Fatal(err)
	}
	for i, told := range run.Files {
		file, err := library.OpenFile(told.Path, os.O_RDONLY)
		if err != nil {
			t.Fatal(err)
		}
		content := make([]byte, told.Bytes)
		if n, _ := file.Read(content); n != len(content) {
			t.Errorf("%s: %d bytes", told.Path, n)
		}
		if digest := sha256.Sum256(content); !bytes.Equal(content, files[i].Content) || fmt.Sprintf("%x", digest) != told.SHA256 {
			t.Errorf("%s is not on the card as it was told", told.Path)
		}
	}
}

// What cannot be composed is the source's failure, and the card keeps no head.
func TestFilesThatDoNotGoWithTheImage(t *testing.T) {
	large := []project.File{{Path: "large", Content: make([]byte, bootBytes)}}
	for name, c := range map[string]struct {
		image  []byte
		files  []project.File
		offset int64
	}{
		"no FAT partition": {orchardImage(), ownFiles("row 7"), 0},
		"no room":          {bootImage(t), large, bootStart},
	} {
		to, card := target(t, cardlab.Traits{})
		to.Files = c.files
		run := job.Flash(t.Context(), held(c.image), []job.Target{to}, job.Options{}).Cards[0]
		if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Step != flash.StepFiles ||
			run.Error.Class != logbook.ClassSource || run.Error.OffsetBytes != c.offset || len(run.Files) != 0 || !headIsClear(card) {
			t.Errorf("%s: %s, %+v, head clear %v", name, run.Verdict, run.Error, headIsClear(card))
		}
	}
}

// A forgetful card is sound until its body is proven; then it loses what is written, or changes what it holds.
type forgetful struct {
	flash.Card
	flushes         int
	losesWrites     bool
	changesWhatHeld bool
}

func (f *forgetful) Flush() error {
	f.flushes++
	return f.Card.Flush()
}

func (f *forgetful) WriteAt(b []byte, offsetBytes int64) (int, error) {
	if f.losesWrites && f.flushes == 2 {
		return len(b), nil
	}
	return f.Card.WriteAt(b, offsetBytes)
}

func (f *forgetful) ReadAt(b []byte, offsetBytes int64) (int, error) {
	n, err := f.Card.ReadAt(b, offsetBytes)
	if offsetBytes == 0 && f.flushes == 2 && f.changesWhatHeld { // the last read of the body's proof
		changed := flash.AlignedBuffer(4096)
		copy(changed, "changed")
		_, _ = f.Card.WriteAt(changed, block+2*mib)
	}
	return n, err
}

func TestCardThatForgetsItsFilesIsDamaged(t *testing.T) {
	for name, f := range map[string]*forgetful{"loses writes": {losesWrites: true}, "changes what it held": {changesWhatHeld: true}} {
		to, card := target(t, cardlab.Traits{})
		f.Card = card
		to.Card, to.Files = f, ownFiles("row 7")
		run := job.Flash(t.Context(), held(bootImage(t)), []job.Target{to}, job.Options{}).Cards[0]
		want := []verify.Damage{{OffsetBytes: block, LengthBytes: block, Kind: verify.KindChanged}}
		diff := cmp.Diff(want, run.Proof.Damage, cmpopts.IgnoreFields(verify.Damage{}, "Partition"))
		if run.Verdict != logbook.Damaged || run.Error != nil || diff != "" || len(run.Files) != 0 || !headIsClear(card) {
			t.Errorf("%s: %s, %+v, head clear %v: %s", name, run.Verdict, run.Error, headIsClear(card), diff)
		}
		if place := run.Proof.Damage[0].Partition; !strings.Contains(place, "ORCHARD") {
			t.Errorf("%s: the damage lies in %q", name, place)
		}
	}
}

// TestCutWithFiles takes the power from a card that gets files of its own at every operation, so that all or some of what was not
// synced is lost: no head ever stands before a body and files that do not.
func TestCutWithFiles(t *testing.T) {
	image, files := bootImage(t)[:2*block+2*mib], ownFiles("row 7")
	binary.LittleEndian.PutUint32(image[462+8:], 9*mib/512+1) // so that it lies in what is left of the image
	binary.LittleEndian.PutUint32(image[462+12:], mib/512-1)
	operations, step := flashToCut(t, image, files, -1).card.Counts().Operations, 1
	if testing.Short() {
		step = 3
	}
	for at := 0; at < 2*operations; at += step {
		c := flashToCut(t, image, files, at/2)
		if c.run.Verdict != logbook.Unfinished {
			t.Errorf("cut before operation %d: %s", at/2, c.run.Verdict)
		}
		if at%2 == 0 {
			c.card.PullSynced()
		} else {
			c.card.Pull(uint64(at))
		}
		left, whole := c.card.Truth().Read(0, len(image)), withFiles(t, image, files, c.run.StartedAt)
		if bytes.Equal(left[:512], image[:512]) && !bytes.Equal(left[flash.LastBytes:], whole[flash.LastBytes:]) {
			t.Errorf("cut before operation %d: the head stands, and the rest is not proven", at/2)
		}
	}
	if operations < 20 {
		t.Errorf("only %d operations", operations)
	}
}

// A cutCard is what is left of a run that lost its card.
type cutCard struct {
	card *cardlab.Card
	run  logbook.Run
}

// flashToCut flashes a card that is gone before an operation; a negative one never comes.
func flashToCut(t *testing.T, image []byte, files []project.File, operation int) cutCard {
	t.Helper()
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 12 * mib, OldContent: true, Seed: 12})
	if err != nil {
		t.Fatal(err)
	}
	card.Inject(cardlab.FailAt(operation, cardlab.FaultGone))
	to := job.Target{Card: card, Device: "cut", Files: files}
	run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]
	if operation < 0 && run.Verdict != logbook.Intact {
		t.Fatal(run.Error)
	}
	return cutCard{card, run}
}

// A disk is a medium in memory that the library can make and read file systems on.
type disk struct{ data []byte }

func (d *disk) ReadAt(b []byte, offsetBytes int64) (int, error) {
	return bytes.NewReader(d.data).ReadAt(b, offsetBytes)
}

func (d *disk) WriteAt(b []byte, offsetBytes int64) (int, error) {
	return copy(d.data[offsetBytes:], b), nil
}

func (*disk) Read([]byte) (int, error)                  { return 0, fs.ErrInvalid }
func (*disk) Seek(int64, int) (int64, error)            { return 0, fs.ErrInvalid }
func (*disk) Stat() (fs.FileInfo, error)                { return nil, fs.ErrInvalid }
func (*disk) Close() error                              { return nil }
func (*disk) Path() string                              { return "" }
func (*disk) Sys() (*os.File, error)                    { return nil, backend.ErrNotSuitable }
func (d *disk) Writable() (backend.WritableFile, error) { return d, nil }
