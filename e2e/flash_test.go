//go:build device

package e2e_test

import (
	"slices"
	"strings"
	"testing"

	"cardwright/internal/cardlab"
)

// TestFlashLandsIntact writes a real image to a card that held something else, and looks at everything that was promised
// of it: bytes, order, table, document.
func TestFlashLandsIntact(t *testing.T) {
	image := mbrImage()
	card := seat(t, cardlab.Traits{SizeBytes: 512 * mib, Seed: 1})
	r := run(t, 0, "flash", image.path(t), "--to", card.path, "--label", "attic-07", "--sha256", image.packedSHA256,
		"--fixed-ok", "--yes", "--json")
	document := decode[flashDocument](t, r.stdout)
	card.expectHolds(t, image)
	expectHeadLast(t, card, image.imageBytes)
	expectImage(t, document.Image, image, "matched")
	if document.ProgramVersion == "" || document.StartedAt == "" || document.ExitCode == nil || *document.ExitCode != 0 {
		t.Errorf("the document's frame is not complete: %+v", document)
	}
	told := onlyCard(t, document)
	expectIntact(t, told, image)
	if told.Device != card.path || told.Label != "attic-07" || told.RunID == 0 || told.CardID == 0 {
		t.Errorf("the card is told as %+v", told)
	}
	if !told.Proof.FromMedium || !told.Write.Direct {
		t.Errorf("root on a block device reads from the medium and writes past the cache: %+v, %+v", told.Proof, told.Write)
	}
}

// TestFlashToALargerCard expects the backup table that no longer stands at the end to be told, not held against the card;
// check and inspect are asked afterwards.
func TestFlashToALargerCard(t *testing.T) {
	image := gptImage()
	card := seat(t, cardlab.Traits{SizeBytes: 256 * mib, Seed: 2})
	r := run(t, 0, "flash", image.path(t), "--to", card.path, "--fixed-ok", "--yes", "--json")
	card.expectHolds(t, image)
	told := onlyCard(t, decode[flashDocument](t, r.stdout))
	expectIntact(t, told, image)
	var backup []string
	for _, f := range slices.Concat(told.Findings, told.Table.Findings) {
		if f.Severity == "fault" {
			t.Errorf("an intact card is faulted: %+v", f)
		}
		if strings.Contains(f.Code, "backup") {
			backup = append(backup, f.Severity)
		}
	}
	if len(backup) == 0 || slices.Contains(backup, "warning") {
		t.Errorf("the backup table's place is told with severities %q, want information: %+v", backup, told.Table.Findings)
	}

	before := card.Counts().WrittenBytes
	r = run(t, 0, "check", card.path, "--image", image.path(t), "--json")
	checked := onlyCard(t, decode[flashDocument](t, r.stdout))
	if checked.Verdict != "intact" || checked.Proof == nil || checked.Proof.Bytes != image.imageBytes || !checked.Proof.FromMedium {
		t.Errorf("the check says %+v", checked)
	}
	if after := card.Counts().WrittenBytes; after != before {
		t.Errorf("the check wrote %d bytes", after-before)
	}
	expectToolsAgree(t, card.path, &decode[inspectDocument](t, run(t, 0, "inspect", card.path, "--json").stdout).tableDoc)
}

// TestInspectAgreesOnMBR holds the other scheme against the same tools.
func TestInspectAgreesOnMBR(t *testing.T) {
	image := mbrImage()
	card := seat(t, cardlab.Traits{SizeBytes: 400 * mib, Seed: 3})
	run(t, 0, "flash", image.path(t), "--to", card.path, "--fixed-ok", "--yes")
	expectToolsAgree(t, card.path, &decode[inspectDocument](t, run(t, 0, "inspect", card.path, "--json").stdout).tableDoc)
}

func onlyCard(t *testing.T, document *flashDocument) cardDoc {
	t.Helper()
	if len(document.Cards) != 1 {
		t.Fatalf("%d cards are told, want 1", len(document.Cards))
	}
	return document.Cards[0]
}

func expectImage(t *testing.T, got imageDoc, image boardImage, expected string) {
	t.Helper()
	want := imageDoc{
		image.file, image.format, image.packedBytes, image.imageBytes, image.packedSHA256, image.imageSHA256, expected,
	}
	if got != want {
		t.Errorf("the image is told as %+v\nwant %+v", got, want)
	}
}

// expectIntact expects the verdict, and the figures and the table that belong to it.
func expectIntact(t *testing.T, told cardDoc, image boardImage) {
	t.Helper()
	if told.Verdict != "intact" || told.Error != nil || told.Write == nil || told.Proof == nil || told.Table == nil {
		t.Fatalf("%s: %+v, %+v", told.Device, told, told.Error)
	}
	if told.Write.Bytes != image.imageBytes || told.Proof.Bytes < image.imageBytes || len(told.Proof.Damage) > 0 {
		t.Errorf("%s: written %+v, proven %+v", told.Device, told.Write, told.Proof)
	}
	if told.TimeToFlash == nil || told.TimeToProven == nil || told.SourceWait == nil ||
		*told.TimeToFlash < told.Write.Busy || *told.TimeToProven <= *told.TimeToFlash {
		t.Errorf("%s: the times do not fit together: %+v", told.Device, told)
	}
	expectTable(t, told.Table, &image.table)
}

// expectTable compares tables, but not their findings and the medium's size.
func expectTable(t *testing.T, got, want *tableDoc) {
	t.Helper()
	if got.Kind != want.Kind || got.ID != want.ID || got.Sector != want.Sector || len(got.Partitions) != len(want.Partitions) {
		t.Fatalf("the table is %+v\nwant %+v", got, want)
	}
	for i, w := range want.Partitions {
		g := got.Partitions[i]
		gotSystem, wantSystem := g.FileSystem, w.FileSystem
		g.FileSystem, w.FileSystem = nil, nil
		if g != w {
			t.Errorf("partition %d is %+v\nwant %+v", w.Number, g, w)
		}
		if gotSystem == nil {
			t.Errorf("partition %d holds nothing, want %+v", w.Number, wantSystem)
			continue
		}
		if room := int64(w.Sectors) * want.Sector; gotSystem.Size <= 0 || gotSystem.Size > room {
			t.Errorf("partition %d has %d bytes, and its file system %d", w.Number, room, gotSystem.Size)
		}
		wantSystem.Size = gotSystem.Size // the other tools do not tell it
		if *gotSystem != *wantSystem {
			t.Errorf("partition %d holds %+v\nwant %+v", w.Number, gotSystem, wantSystem)
		}
	}
}

// expectHeadLast expects the order that keeps a card from booting before its time: both ends cleared, flush; the body,
// flush; the head but its first 4 KiB, flush; those, flush.
func expectHeadLast(t *testing.T, card *seated, imageBytes int64) {
	t.Helper()
	const lastBytes = 4 << 10
	var parts []string
	for _, op := range card.changes() {
		part := "flush"
		switch end := op.OffsetBytes + int64(op.LengthBytes); {
		case op.Kind == cardlab.OpFlush:
		case len(parts) == 0 || parts[0] == "clear" && len(parts) == 1:
			part = "clear"
			if end > clearBytes && op.OffsetBytes < card.traits.SizeBytes-clearBytes {
				t.Errorf("the clearing wrote %+v", op)
			}
		case op.OffsetBytes >= blockBytes && end <= imageBytes:
			part = "body"
		case op.OffsetBytes >= lastBytes && end <= blockBytes:
			part = "head"
		case end <= lastBytes:
			part = "last"
		default:
			part = "elsewhere"
		}
		if len(parts) == 0 || parts[len(parts)-1] != part {
			parts = append(parts, part)
		}
	}
	got := strings.Join(parts, " ")
	if want := "clear flush body flush head flush last flush"; got != want {
		t.Errorf("the card saw %q\nwant %q", got, want)
	}
}
