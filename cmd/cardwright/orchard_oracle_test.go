//go:build oracle

package main

import (
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// The demo's image is judged by general tools: sfdisk (util-linux), fsck.fat (dosfstools) and e2fsck (e2fsprogs).
func TestOrchardImageIsSound(t *testing.T) {
	folder := t.TempDir()
	image := filepath.Join(folder, "orchard.img")
	if err := buildOrchard(image); err != nil {
		t.Fatal(err)
	}
	var listed struct {
		PartitionTable struct {
			Label      string
			Partitions []struct {
				Start, Size int64
				Type        string
				Bootable    bool
			}
		}
	}
	if err := json.Unmarshal([]byte(tool(t, "sfdisk", "-J", image)), &listed); err != nil {
		t.Fatal(err)
	}
	partitions := listed.PartitionTable.Partitions
	if listed.PartitionTable.Label != "dos" || len(partitions) != 2 || partitions[0].Type != "c" || !partitions[0].Bootable ||
		partitions[1].Type != "83" {
		t.Fatalf("sfdisk reads %+v", listed)
	}
	boot := cutOut(t, image, partitions[0].Start*512, partitions[0].Size*512)
	if said := tool(t, "fsck.fat", "-n", boot); strings.Contains(said, "summary") {
		t.Errorf("fsck.fat finds the free clusters miscounted:\n%s", said)
	}
	tool(t, "e2fsck", "-fn", cutOut(t, image, partitions[1].Start*512, partitions[1].Size*512))
	packed := image + ".xz"
	if err := packOrchard(image, packed); err != nil {
		t.Fatal(err)
	}
	tool(t, "xz", "--test", packed)
}

// tool runs a tool that must succeed.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", name, err, out)
	}
	return string(out)
}

// cutOut makes a file of a part of another.
func cutOut(t *testing.T, path string, offsetBytes, lengthBytes int64) string {
	t.Helper()
	from, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer from.Close()
	to, err := os.CreateTemp(t.TempDir(), "part")
	if err != nil {
		t.Fatal(err)
	}
	defer to.Close()
	if _, err := io.Copy(to, io.NewSectionReader(from, offsetBytes, lengthBytes)); err != nil {
		t.Fatal(err)
	}
	return to.Name()
}
