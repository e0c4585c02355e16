//go:build oracle

package fat_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// grown fills a file system with many folders in folders, files with long names, and what was renamed, moved and deleted.
func grown(t *testing.T, m making) (path string) {
	t.Helper()
	path = m.empty(t)
	host := t.TempDir()
	for i := range 12 {
		for j := range 4 {
			below := filepath.Join(host, fmt.Sprintf("Orchard of the year %d", i), fmt.Sprintf("row %d", j), "trees", "leaves")
			if err := os.MkdirAll(below, 0o700); err != nil {
				t.Fatal(err)
			}
			leaves := []orchardFile{{"empty", ""}, {"A long name for a leaf.txt", strings.Repeat("leaf ", 200*j)}, {"B.TXT", "b"}}
			for _, leaf := range leaves {
				if err := os.WriteFile(filepath.Join(below, leaf.path), []byte(leaf.content), 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
		must(t, nil, "mcopy", "-s", "-i", path, filepath.Join(host, fmt.Sprintf("Orchard of the year %d", i)), "::")
	}
	for _, command := range [][]string{
		{"mdeltree", "::Orchard of the year 3"},
		{"mdeltree", "::Orchard of the year 5/row 2"},
		{"mdel", "::Orchard of the year 4/row 1/trees/leaves/A long name for a leaf.txt"},
		{"mmove", "::Orchard of the year 6/row 0", "::Orchard of the year 7/moved"},
		{"mmove", "::Orchard of the year 7/moved/trees", "::"},
		{"mren", "::Orchard of the year 8", "::eight"},
	} {
		must(t, nil, append([]string{command[0], "-i", path}, command[1:]...)...)
	}
	must(t, nil, "fsck.fat", "-n", path)
	return path
}

// TestManyFoldersAreTaken puts files into and beside many folders; fsck.fat finds no fault before and after.
func TestManyFoldersAreTaken(t *testing.T) {
	for _, m := range makings() {
		t.Run(m.name, func(t *testing.T) {
			path := grown(t, m)
			files := []orchardFile{
				{"Orchard of the year 9/row 1/trees/leaves/A long name for a leaf.txt", "replaced"},
				{"eight/row 3/trees/new.conf", "tree 9"},
				{"START.TXT", strings.Repeat("row 7\n", 2000)},
			}
			putIntoFile(t, path, files)
			if out, ok := tool(t, nil, "fsck.fat", "-n", "-v", path); !ok {
				t.Errorf("fsck.fat: %s", out)
			}
			for _, file := range files {
				if !holds(t, path, file.path, file.content) {
					t.Errorf("mtype does not give %s", file.path)
				}
			}
		})
	}
}

// TestDamagesAreThoseOfFsck expects fsck.fat to find a fault wherever a tree is refused, and none before.
func TestDamagesAreThoseOfFsck(t *testing.T) {
	for bits, m := range map[int]making{12: makings()[0], 16: small16(), 32: small32()} {
		path := m.empty(t)
		for _, folder := range []string{"::OVER", "::OVER/DEEP", "::ASIDE"} {
			must(t, nil, "mmd", "-i", path, folder)
		}
		for _, file := range treeFiles() {
			must(t, []byte(file.content), "mcopy", "-i", path, "-", "::"+file.path)
		}
		must(t, nil, "fsck.fat", "-n", path)
		image := read(t, path, 0, int(m.sizeBytes))
		for name, damage := range damages() {
			t.Run(m.name+": "+name, func(t *testing.T) {
				d := damaged{t, append([]byte(nil), image...), bits}
				damage(d)
				expectUnsound(t, d.boot, m.sizeBytes)
				patch(t, path, 0, string(d.boot))
				if out, ok := tool(t, nil, "fsck.fat", "-n", path); ok {
					t.Errorf("fsck.fat finds no fault: %s", out)
				}
			})
		}
	}
}
