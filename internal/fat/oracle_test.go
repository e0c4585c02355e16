//go:build oracle

// Live tests against mkfs.vfat and fsck.fat of dosfstools and against mtools. A tool that is missing is a failure.
package fat_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/fat"
)

// tool gives a tool's output and whether it ended with 0.
func tool(t *testing.T, stdin []byte, command ...string) (string, bool) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), command[0], command[1:]...)
	cmd.Stdin = bytes.NewReader(stdin)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8")
	out, err := cmd.CombinedOutput()
	if cmd.ProcessState == nil {
		t.Fatalf("%v: %v", command, err)
	}
	return string(out), err == nil
}

func must(t *testing.T, stdin []byte, command ...string) string {
	t.Helper()
	out, ok := tool(t, stdin, command...)
	if !ok {
		t.Fatalf("%v: %s", command, out)
	}
	return out
}

// A making is a file system that mkfs.vfat makes.
type making struct {
	name      string
	sizeBytes int64
	options   []string
}

func makings() []making {
	return []making{
		{"FAT12", 4 << 20, []string{"-F", "12"}},
		{"FAT12 with clusters of one sector", 1 << 20, []string{"-F", "12", "-s", "1"}},
		{"FAT16", 32 << 20, []string{"-F", "16"}},
		{"FAT16 with sectors of 4096 bytes", 64 << 20, []string{"-F", "16", "-S", "4096"}},
		{"FAT32", 64 << 20, []string{"-F", "32"}},
		{"FAT32 with large clusters", 300 << 20, []string{"-F", "32", "-s", "8"}},
		{"FAT32 with sectors of 4096 bytes", 300 << 20, []string{"-F", "32", "-S", "4096"}},
	}
}

// empty makes a file system with nothing in it.
func (m making) empty(t *testing.T) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "boot.img")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, m.sizeBytes); err != nil {
		t.Fatal(err)
	}
	must(t, nil, append(append([]string{"mkfs.vfat", "-n", "ORCHARD"}, m.options...), path)...)
	return path
}

// made makes a file system and puts into it what images commonly hold, names that are hard on whoever writes beside them, and a
// directory that was longer once.
func (m making) made(t *testing.T) (path string) {
	t.Helper()
	path = m.empty(t)
	put := func(name, content string) { must(t, []byte(content), "mcopy", "-i", path, "-", "::"+name) }
	for i := range 60 {
		put(fmt.Sprintf("gone for good %d", i), "x")
	}
	for i := range 60 {
		must(t, nil, "mdel", "-i", path, fmt.Sprintf("::gone for good %d", i))
	}
	put("config.txt", strings.Repeat("dtparam=audio=on\n", 700))
	put("cmdline.txt", "console=tty1\n")
	put("ssh", "")
	put("höhle.txt", "umlaut")
	put("KERNEL.IMG", strings.Repeat("k", 70_000))
	must(t, nil, "mmd", "-i", path, "::overlays")
	for i := range 40 {
		put(fmt.Sprintf("overlays/a-long-overlay-name-%d.dtbo", i), "overlay")
	}
	return path
}

// TestToolsFindTheFilesAndNoFault puts files into each file system, then lets other tools look at it.
func TestToolsFindTheFilesAndNoFault(t *testing.T) {
	for _, m := range makings() {
		t.Run(m.name, func(t *testing.T) {
			path := m.made(t)
			files := orchardFiles()
			before := others(t, path)
			putIntoFile(t, path, files)
			if out, ok := tool(t, nil, "fsck.fat", "-n", "-v", path); !ok || strings.Contains(out, "wrong") || strings.Contains(out, "differ") {
				t.Errorf("fsck.fat: %s", out)
			}
			for _, file := range files {
				if got := must(t, nil, "mtype", "-i", path, "::"+file.path); got != file.content {
					t.Errorf("mtype %s: %d bytes, want %d", file.path, len(got), len(file.content))
				}
			}
			if others(t, path) != before {
				t.Error("other files changed")
			}
			listed := must(t, nil, "mdir", "-b", "-s", "-i", path, "::")
			for _, name := range []string{"::/Orchard Notes.txt\n", "::/config.txt\n", "::/etc/Deep Folder/row.conf\n", "::/grüße.txt\n"} {
				if !strings.Contains(listed, name) {
					t.Errorf("mdir does not list %q:\n%s", name, listed)
				}
			}
			if entry := must(t, nil, "mdir", "-i", path, "::cmdline.txt"); !strings.Contains(entry, "2026-11-26  12:34") {
				t.Errorf("mdir: %s", entry)
			}
		})
	}
}

// others gives the content of files that nobody changes.
func others(t *testing.T, path string) (content string) {
	t.Helper()
	for _, name := range []string{"KERNEL.IMG", "overlays/a-long-overlay-name-7.dtbo", "höhle.txt"} {
		content += must(t, nil, "mtype", "-i", path, "::"+name)
	}
	return content
}

// putIntoFile puts files into a file system that fills a regular file.
func putIntoFile(t *testing.T, path string, files []orchardFile) {
	t.Helper()
	file, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		t.Fatal(err)
	}
	ranges := putAll(t, file, 0, info.Size(), files)
	for _, r := range ranges {
		if _, err := file.WriteAt(r.Data, r.OffsetBytes); err != nil {
			t.Fatal(err)
		}
	}
}

// TestFullFileSystemsStaySound fills each file system to its last cluster and beyond: what fitted is sound, what did not is refused.
func TestFullFileSystemsStaySound(t *testing.T) {
	for _, m := range makings()[:4] {
		t.Run(m.name, func(t *testing.T) {
			path := m.made(t)
			free := freeBytes(t, path)
			putIntoFile(t, path, []orchardFile{{"fill.bin", strings.Repeat("f", int(free))}})
			if out, ok := tool(t, nil, "fsck.fat", "-n", path); !ok {
				t.Errorf("fsck.fat: %s", out)
			}
			if left := freeBytes(t, path); left != 0 {
				t.Errorf("%d bytes are left", left)
			}
			expectRefused(t, path, orchardFile{"one.more", "x"}, fat.ErrFull)
		})
	}
}

// freeBytes is the room that is left, by the clusters that fsck.fat counts and the boot sector's size of one.
func freeBytes(t *testing.T, path string) int64 {
	t.Helper()
	boot, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clusterBytes := int64(binary.LittleEndian.Uint16(boot[11:])) * int64(boot[13])
	used, all := int64(0), int64(0)
	report, _ := tool(t, nil, "fsck.fat", "-n", path)
	if at := strings.Index(report, " files, "); at >= 0 {
		_, err = fmt.Sscanf(report[at:], " files, %d/%d clusters", &used, &all)
	}
	if err != nil || all == 0 {
		t.Fatalf("%v: %s", err, report)
	}
	return (all - used) * clusterBytes
}

func expectRefused(t *testing.T, path string, file orchardFile, want error) {
	t.Helper()
	image, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := refusal(image, 0, int64(len(image)), file); !isError(err, want) {
		t.Errorf("%s: %v, want %v", file.path, err, want)
	}
}
