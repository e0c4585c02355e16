package device_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/device"
)

// tree is one described machine, laid out in a folder. testdata/README.md tells the lines.
type tree struct {
	roots    device.Roots
	base     string
	dir      string            // of the disk or partition described last
	folders  map[string]string // disk or partition name -> its folder
	mounts   []string
	swaps    []string
	absent   []string
	verdicts []verdict
}

// verdict is what a tree's description says of one disk: all reasons, none for yes.
type verdict struct {
	disk    string
	fixedOK bool
	reasons []string
}

func treeNames(t *testing.T) []string {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join("testdata", "trees", "*.tree"))
	if err != nil || len(paths) < 20 {
		t.Fatalf("%d trees found: %v", len(paths), err)
	}
	var names []string
	for _, p := range paths {
		names = append(names, strings.TrimSuffix(filepath.Base(p), ".tree"))
	}
	return names
}

// layOut builds the tree of a name below a new folder.
func layOut(t *testing.T, name string) *tree {
	t.Helper()
	return layOutLines(t, "include "+name)
}

// layOutLines builds a tree of these lines below a new folder.
func layOutLines(t *testing.T, lines string) *tree {
	t.Helper()
	base, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	b := &tree{base: base, folders: map[string]string{}}
	b.roots = device.Roots{Sys: filepath.Join(base, "sys"), Proc: filepath.Join(base, "proc"), Dev: filepath.Join(base, "dev")}
	b.roots.Debug = filepath.Join(base, "sys", "kernel", "debug")
	b.lines(t, lines)
	b.write(t, "proc/self/mountinfo", strings.Join(b.mounts, ""))
	b.write(t, "proc/swaps", "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n"+strings.Join(b.swaps, ""))
	for _, path := range b.absent {
		if err := os.Remove(filepath.Join(base, path)); err != nil {
			t.Fatal(err)
		}
	}
	return b
}

func (b *tree) describe(t *testing.T, name string) {
	t.Helper()
	content, err := os.ReadFile(filepath.Join("testdata", "trees", name+".tree"))
	if err != nil {
		t.Fatal(err)
	}
	b.lines(t, string(content))
}

func (b *tree) lines(t *testing.T, lines string) {
	t.Helper()
	for _, line := range strings.Split(lines, "\n") {
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		word, rest, _ := strings.Cut(line, " ")
		b.line(t, word, rest, strings.Fields(rest))
	}
}

func (b *tree) line(t *testing.T, word, rest string, f []string) {
	t.Helper()
	path, value, _ := strings.Cut(rest, " ")
	switch word {
	case "include":
		b.describe(t, rest)
	case "disk":
		b.disk(t, f)
	case "part":
		b.part(t, f[0], f[1])
	case "attr":
		b.write(t, filepath.Join(b.dir, path), value+"\n")
	case "drop":
		if err := os.Remove(filepath.Join(b.base, b.dir, path)); err != nil {
			t.Fatal(err)
		}
	case "file":
		b.write(t, path, value+"\n")
	case "holds":
		b.link(t, filepath.Join(b.folders[f[1]], "holders", f[0]), b.folders[f[0]])
		b.link(t, filepath.Join(b.folders[f[0]], "slaves", f[1]), b.folders[f[1]])
	case "link":
		b.symlink(t, filepath.Join("dev", f[0]), f[1])
	case "mount":
		options := "rw"
		if len(f) > 4 {
			options = f[4]
		}
		b.mounts = append(b.mounts, fmt.Sprintf("%d 1 %s / %s rw,relatime shared:1 - %s %s %s\n", 20+len(b.mounts), f[0], f[1], f[2], f[3], options))
	case "swap":
		b.swaps = append(b.swaps, fmt.Sprintf("%s\t\t\t%s\t4194300\t0\t-2\n", f[0], f[1]))
	case "absent":
		b.absent = append(b.absent, rest)
	case "yes", "yesfixed":
		b.verdicts = append(b.verdicts, verdict{disk: rest, fixedOK: word == "yesfixed"})
	case "no", "fixed":
		b.refused(path, word == "fixed", value)
	default:
		t.Fatalf("unknown word %q", word)
	}
}

func (b *tree) refused(disk string, fixedOK bool, reason string) {
	for i := range b.verdicts {
		if v := &b.verdicts[i]; v.disk == disk && v.fixedOK == fixedOK {
			v.reasons = append(v.reasons, reason)
			return
		}
	}
	b.verdicts = append(b.verdicts, verdict{disk: disk, fixedOK: fixedOK, reasons: []string{reason}})
}

func (b *tree) disk(t *testing.T, f []string) {
	t.Helper()
	name := f[0]
	b.dir = filepath.Join("sys", "devices", f[2])
	b.folders[name] = b.dir
	values := map[string]string{"ro": "0", "removable": "0", "hidden": "0", "diskseq": "7", "size": "0"}
	for _, pair := range f[3:] {
		key, value, _ := strings.Cut(pair, "=")
		values[key] = value
	}
	for key, value := range values {
		b.write(t, filepath.Join(b.dir, key), value+"\n")
	}
	b.write(t, filepath.Join(b.dir, "queue", "logical_block_size"), "512\n")
	b.write(t, filepath.Join(b.dir, "queue", "physical_block_size"), "4096\n")
	b.folder(t, filepath.Join(b.dir, "holders"))
	b.folder(t, filepath.Join(b.dir, "slaves"))
	b.link(t, filepath.Join("sys", "block", name), b.dir)
	b.block(t, name, f[1])
}

func (b *tree) part(t *testing.T, name, number string) {
	t.Helper()
	// Partitions lie in the folder of the disk that their name begins with.
	disk := filepath.Join(b.dir, name)
	b.folders[name] = disk
	b.folder(t, filepath.Join(disk, "holders"))
	b.write(t, filepath.Join(disk, "partition"), name[len(strings.TrimRight(name, "0123456789")):]+"\n")
	keep := b.dir
	b.dir = disk
	b.block(t, name, number)
	b.dir = keep
}

// block adds what disks and partitions have in common.
func (b *tree) block(t *testing.T, name, number string) {
	t.Helper()
	if number != "-" {
		b.write(t, filepath.Join(b.dir, "dev"), number+"\n")
	}
	b.link(t, filepath.Join("sys", "class", "block", name), b.dir)
	b.write(t, filepath.Join("dev", name), "")
}

func (b *tree) folder(t *testing.T, path string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Join(b.base, path), 0o755); err != nil {
		t.Fatal(err)
	}
}

func (b *tree) write(t *testing.T, path, content string) {
	t.Helper()
	b.folder(t, filepath.Dir(path))
	if err := os.WriteFile(filepath.Join(b.base, path), []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

// link makes a relative link between two places of the tree, as the kernel does.
func (b *tree) link(t *testing.T, path, target string) {
	t.Helper()
	rel, err := filepath.Rel(filepath.Dir(path), target)
	if err != nil {
		t.Fatal(err)
	}
	b.symlink(t, path, rel)
}

func (b *tree) symlink(t *testing.T, path, target string) {
	t.Helper()
	b.folder(t, filepath.Dir(path))
	if err := os.Symlink(target, filepath.Join(b.base, path)); err != nil {
		t.Fatal(err)
	}
}

func (b *tree) snapshot(t *testing.T) *device.Snapshot {
	t.Helper()
	s, err := device.ReadSnapshot(b.roots)
	if err != nil {
		t.Fatal(err)
	}
	return s
}
