//go:build oracle

// A board image made by general tools is flashed with its free space left out, onto a card full of garbage; e2fsprogs,
// dosfstools and mtools then judge what is on the card.
package job_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// tool runs a general tool.
func tool(t *testing.T, stdin string, command ...string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), command[0], command[1:]...)
	cmd.Stdin = strings.NewReader(stdin)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "MTOOLS_SKIP_CHECK=1")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v: %s", command, err, out)
	}
}

// boardFiles are files of 200 KB to 3 MB whose content repeats nowhere.
func boardFiles(t *testing.T, seed byte, count int) (dir string, content map[string][]byte) {
	t.Helper()
	dir, content = t.TempDir(), map[string][]byte{}
	random := rand.NewChaCha8([32]byte{seed})
	for i := range count {
		data := make([]byte, 200_000+(i*777_777)%2_800_000)
		_, _ = random.Read(data) // documented never to fail
		name := fmt.Sprintf("file%d", i)
		content[name] = data
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir, content
}

const (
	pressedBytes         = 160 * mib
	fatStart, extStart   = 4 * mib, 52 * mib // where the partitions begin
	fatEnd               = 52 * mib
	extEnd               = 148 * mib
	garbage              = 0xA5
	fatLength, extLength = fatEnd - fatStart, extEnd - extStart
)

// makeBoard makes an image of a FAT and an ext4 partition and a gap behind them.
func makeBoard(t *testing.T, mkfs, label, fatDir, extDir string) []byte {
	t.Helper()
	dir := t.TempDir()
	whole, fat, ext := filepath.Join(dir, "whole"), filepath.Join(dir, "fat"), filepath.Join(dir, "ext")
	for path, size := range map[string]int64{whole: pressedBytes, fat: fatLength, ext: extLength} {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(path, size); err != nil {
			t.Fatal(err)
		}
	}
	kinds := map[string][2]string{"dos": {"c", "83"}, "gpt": {"U", "L"}}[label]
	tool(t, fmt.Sprintf("label: %s\nstart=8192, size=%d, type=%s\nstart=%d, size=%d, type=%s\n", label, fatLength/512, kinds[0],
		extStart/512, extLength/512, kinds[1]), "sfdisk", "-q", whole)
	tool(t, "", "mkfs.fat", "-F", "32", "-s", "1", fat)
	tool(t, "", append(strings.Fields(mkfs), "-d", extDir, ext)...)
	tool(t, "", "sh", "-c", "mcopy -i "+fat+" "+fatDir+"/* ::")
	tool(t, "", "mdel", "-i", fat, "::file2")
	tool(t, "", "debugfs", "-w", "-R", "rm file3", ext)
	tool(t, "", "dd", "if="+fat, "of="+whole, "bs=1M", "seek=4", "conv=notrunc", "status=none")
	tool(t, "", "dd", "if="+ext, "of="+whole, "bs=1M", "seek=52", "conv=notrunc", "status=none")
	image, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	return image
}

// garbageCard is a card full of one byte.
func garbageCard(t *testing.T) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 192 * mib})
	if err != nil {
		t.Fatal(err)
	}
	buffer := flash.AlignedBuffer(block)
	copy(buffer, bytes.Repeat([]byte{garbage}, block))
	for at := int64(0); at < card.SizeBytes(); at += block {
		if _, err := card.WriteAt(buffer, at); err != nil {
			t.Fatal(err)
		}
	}
	return card
}

func TestCardWithFreeSpaceLeftOutIsCleanToGeneralTools(t *testing.T) {
	fatDir, fatFiles := boardFiles(t, 5, 6)
	extDir, extFiles := boardFiles(t, 6, 9)
	for name, mkfs := range map[string]string{
		"dos ext4-4k": "mke2fs -q -F -t ext4 -b 4096", "dos ext2-1k": "mke2fs -q -F -t ext2 -b 1024", "gpt ext3-4k": "mke2fs -q -F -t ext3 -b 4096",
		"gpt ext4-1k": "mke2fs -q -F -t ext4 -b 1024",
	} {
		t.Run(name, func(t *testing.T) {
			label, _, _ := strings.Cut(name, " ")
			image := makeBoard(t, mkfs, label, fatDir, extDir)
			table, err := partition.Inspect(bytes.NewReader(image), pressedBytes, 512)
			if err != nil {
				t.Fatal(err)
			}
			free, err := partition.FreeSpace(bytes.NewReader(image), table, pressedBytes)
			if err != nil {
				t.Fatal(err)
			}
			card := garbageCard(t)
			to := job.Target{Card: card, Device: "lab"}
			run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Free: free}).Cards[0]
			if run.Verdict != logbook.Intact || len(run.Findings) != 0 || run.Write.SkippedBytes < pressedBytes/3 {
				t.Fatalf("%s, %+v, %+v, %+v", run.Verdict, run.Error, run.Findings, run.Write)
			}
			t.Logf("left out: %d of %d bytes", run.Write.SkippedBytes, int64(pressedBytes))
			onCard := card.Truth().Read(0, pressedBytes)
			if bytes.Count(onCard, bytes.Repeat([]byte{garbage}, block)) < int(run.Write.SkippedBytes/block) {
				t.Error("what was left out is not what lay there before")
			}
			judgeCard(t, onCard, fatFiles, extFiles)
		})
	}
}

// judgeCard lets the general tools judge both file systems.
func judgeCard(t *testing.T, onCard []byte, fatFiles, extFiles map[string][]byte) {
	t.Helper()
	dir, out := t.TempDir(), t.TempDir()
	fat, ext := filepath.Join(dir, "fat"), filepath.Join(dir, "ext")
	for path, content := range map[string][]byte{fat: onCard[fatStart:fatEnd], ext: onCard[extStart:extEnd]} {
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	tool(t, "", "fsck.fat", "-n", fat)
	tool(t, "", "e2fsck", "-fn", ext)
	for name, want := range fatFiles {
		if name != "file2" {
			tool(t, "", "mcopy", "-i", fat, "::"+name, filepath.Join(out, "got"))
			expectFile(t, filepath.Join(out, "got"), want)
		}
	}
	for name, want := range extFiles {
		if name != "file3" {
			tool(t, "", "debugfs", "-R", "dump "+name+" "+filepath.Join(out, "got"), ext)
			expectFile(t, filepath.Join(out, "got"), want)
		}
	}
}

func expectFile(t *testing.T, path string, want []byte) {
	t.Helper()
	got, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(got, want) {
		t.Errorf("a file differs: %v", err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}
