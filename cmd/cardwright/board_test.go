package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// The truth of this test is what sha256sum, sfdisk -J and blkid said of the image; testdata/README.md at the module's root
// has the recipe.
const boardFolder = "../../testdata"

func TestSmallBoardIsFlashedAsOtherToolsReadIt(t *testing.T) {
	card := filepath.Join(t.TempDir(), "card.img")
	if err := os.WriteFile(card, bytes.Repeat([]byte{filler}, 32<<20), 0o644); err != nil {
		t.Fatal(err)
	}
	var out, complaints bytes.Buffer
	code := run(t.Context(), []string{
		"--json", "--logbook", filepath.Join(t.TempDir(), "logbook.db"),
		"flash", filepath.Join(boardFolder, "small-board.img.xz"), "--to", card, "--yes",
	}, strings.NewReader(""), &out, &complaints)
	var document report.Document
	if err := json.Unmarshal(out.Bytes(), &document); err != nil || code != 0 {
		t.Fatalf("exit code %d, %v\n%s", code, err, complaints.String())
	}
	if document.Image.Expected != source.Matched || document.Image.ImageSHA256 != publishedDigest(t, "small-board.img") {
		t.Errorf("the image is told as %+v", document.Image)
	}
	written, err := os.ReadFile(card)
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprintf("%x", sha256.Sum256(written[:24<<20])); got != publishedDigest(t, "small-board.img") {
		t.Errorf("the card holds %s", got)
	}
	if document.Cards[0].Verdict != logbook.Intact {
		t.Errorf("the verdict is %s", document.Cards[0].Verdict)
	}
	compareWithSfdisk(t, &document.Cards[0])
	compareWithBlkid(t, &document.Cards[0])
}

func publishedDigest(t *testing.T, name string) string {
	t.Helper()
	sums, err := os.ReadFile(filepath.Join(boardFolder, "SHA256SUMS"))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(sums)) {
		if digest, of, _ := strings.Cut(strings.TrimSpace(line), "  "); of == name {
			return digest
		}
	}
	t.Fatalf("no digest of %s", name)
	return ""
}

func compareWithSfdisk(t *testing.T, run *logbook.Run) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(boardFolder, "small-board.sfdisk.json"))
	if err != nil {
		t.Fatal(err)
	}
	var want struct {
		PartitionTable struct {
			ID         string
			Partitions []struct {
				Start, Size uint64
				Type        string
				Bootable    bool
			}
		}
	}
	if err := json.Unmarshal(text, &want); err != nil {
		t.Fatal(err)
	}
	if got := "0x" + run.Table.ID; got != want.PartitionTable.ID {
		t.Errorf("the table's id is %s", got)
	}
	if len(run.Table.Partitions) != len(want.PartitionTable.Partitions) {
		t.Fatalf("%d partitions", len(run.Table.Partitions))
	}
	for i, p := range want.PartitionTable.Partitions {
		got := run.Table.Partitions[i]
		if got.StartLBA != p.Start || got.Sectors != p.Size || got.Type != fmt.Sprintf("%02s", p.Type) || got.Boot != p.Bootable {
			t.Errorf("partition %d is %+v, sfdisk says %+v", i+1, got, p)
		}
	}
}

func compareWithBlkid(t *testing.T, run *logbook.Run) {
	t.Helper()
	file, err := os.Open(filepath.Join(boardFolder, "small-board.blkid"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	want := []map[string]string{{}}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		key, value, found := strings.Cut(lines.Text(), "=")
		switch last := want[len(want)-1]; {
		case found:
			last[key] = value
		case len(last) > 0:
			want = append(want, map[string]string{})
		}
	}
	for i, p := range run.Table.Partitions {
		kind := want[i]["TYPE"]
		if kind == "vfat" {
			kind = strings.ToLower(want[i]["VERSION"])
		}
		if p.FileSystem.Kind != kind || p.FileSystem.Label != want[i]["LABEL"] || p.FileSystem.UUID != want[i]["UUID"] {
			t.Errorf("partition %d holds %+v, blkid says %v", i+1, p.FileSystem, want[i])
		}
	}
}
