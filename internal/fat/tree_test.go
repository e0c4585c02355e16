package fat_test

import (
	"bytes"
	"fmt"
	"maps"
	"strings"
	"testing"

	"github.com/diskfs/go-diskfs/filesystem/fat16"

	"cardwright/internal/fat"
)

var bitsOf = map[string]int{"fat12": 12, "fat16": 16, "fat32": 32}

// tree gives a function that makes the same tree again and again.
func tree(t *testing.T, kind string) func(*testing.T) damaged {
	t.Helper()
	d := made(t, kind, 0)
	apply(d.data, putAll(t, d, 0, kinds[kind], treeFiles()))
	return func(t *testing.T) damaged { return damaged{t, bytes.Clone(d.data), bitsOf[kind]} }
}

func apply(image []byte, ranges []fat.Range) {
	for _, r := range ranges {
		copy(image[r.OffsetBytes:], r.Data)
	}
}

// expectUnsound expects a file system to be refused before there is anything to put into it, and left as it is.
func expectUnsound(t *testing.T, image []byte, lengthBytes int64) {
	t.Helper()
	before := bytes.Clone(image)
	if volume, err := fat.Open(bytes.NewReader(image), 0, lengthBytes); volume != nil || !isError(err, fat.ErrUnsound) {
		t.Errorf("a volume: %v, %v", volume != nil, err)
	}
	if !bytes.Equal(image, before) {
		t.Error("the image changed")
	}
}

func TestTreesThatContradictTheTablesAreRefused(t *testing.T) {
	for kind, size := range kinds {
		copied := tree(t, kind)
		all := damages()
		if kind == "fat32" {
			maps.Copy(all, map[string]func(damaged){
				"a root in a free cluster":      func(d damaged) { d.setNext(2, 0) },
				"a file in the root's cluster":  func(d damaged) { d.setFirst(rowName, 2) },
				"a file that leads to the root": func(d damaged) { d.setNext(d.last(startName), 2) },
			})
		}
		for name, damage := range all {
			t.Run(kind+": "+name, func(t *testing.T) {
				d := copied(t)
				damage(d)
				expectUnsound(t, d.boot, size)
			})
		}
	}
}

// What loses nothing is taken as it is: clusters that nobody names stay taken, and a file keeps those that it does not need.
func TestHarmlessTreesAreTaken(t *testing.T) {
	const lost = 1000 // a cluster that is free in each tree
	for kind, size := range kinds {
		copied := tree(t, kind)
		for name, harm := range map[string]func(damaged){
			"a lost chain":                  func(d damaged) { d.setNext(lost, lost+1); d.setNext(lost+1, d.end()) },
			"a bad cluster":                 func(d damaged) { d.setNext(lost, d.end()-8) },
			"a deleted file not given back": func(d damaged) { d.slot(startName)[0] = 0xE5 },
			"a file of many clusters":       func(d damaged) { d.setSize(startName, 1) },
			"an empty file with a cluster":  func(d damaged) { d.setSize(rowName, 0) },
			"a root named as others are":    func(d damaged) { setFirst(d.content(d.first(overName))[32:], map[int]uint32{32: 2}[d.bits]) },
		} {
			t.Run(kind+": "+name, func(t *testing.T) {
				d := copied(t)
				harm(d)
				before := damaged{t, bytes.Clone(d.boot), d.bits}
				apply(d.boot, putAll(t, bytes.NewReader(before.boot), 0, size, []orchardFile{{"OVER/NEW.TXT", strings.Repeat("new ", 5000)}}))
				for cluster := uint32(2); cluster < lost+10; cluster++ {
					if was := before.next(cluster); was != 0 && d.next(cluster) != was {
						t.Errorf("cluster %d was taken, and led to %#x, now %#x", cluster, was, d.next(cluster))
					}
				}
			})
		}
	}
}

// A file that lies as deep as any may is put; once it is made a folder, that one lies too deep.
func TestTreesTooDeepAreRefused(t *testing.T) {
	made, deepest := made(t, "fat32", 0), strings.Repeat("D/", 128)
	apply(made.data, putAll(t, made, 0, kinds["fat32"], []orchardFile{{deepest + "START.TXT", "x"}}))
	if err := refusal(made.data, 0, kinds["fat32"], orchardFile{deepest + "ROW.TXT", "x"}); err != nil {
		t.Fatal(err)
	}
	d := damaged{t, made.data, 32}
	first := d.first(startName)
	folder(d.slot(startName), startName, first)
	folder(d.content(first), ".          ", first)
	folder(d.content(first)[32:], "..         ", first-1)
	expectUnsound(t, made.data, kinds["fat32"])
}

// Folders of 2 MiB each are as long as any may be; 16 of them and the root have more bytes than are read.
func TestTreesTooWideAreRefused(t *testing.T) {
	const size, folderBytes = 40 << 20, 2 << 20
	for _, folders := range []int{15, 16} {
		made := &disk{make([]byte, size)}
		if _, err := fat16.Create(made, size, 0, 512, "ORCHARD", true); err != nil {
			t.Fatal(err)
		}
		d := damaged{t, made.data, 16}
		each := uint32(folderBytes / (int(d.boot[0x0D]) * 512))
		slot := root(d.boot)[32:] // behind the label
		for i := range uint32(folders) {
			first := 2 + i*each
			for c := first; c < first+each-1; c++ {
				d.setNext(c, c+1)
			}
			d.setNext(first+each-1, d.end())
			folder(slot[32*i:], fmt.Sprintf("WIDE%02d     ", i), first)
			folder(d.content(first), ".          ", first)
			folder(d.content(first)[32:], "..         ", 0)
		}
		if folders == 16 {
			expectUnsound(t, d.boot, size)
		} else if err := refusal(d.boot, 0, size, orchardFile{"row.conf", "x"}); err != nil {
			t.Error(err)
		}
	}
}

// folder writes the entry of a folder.
func folder(slot []byte, short string, first uint32) {
	copy(slot, short)
	slot[0x0B] = 0x10
	setFirst(slot, first)
}
