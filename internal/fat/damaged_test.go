package fat_test

import (
	"bytes"
	"encoding/binary"
	"strings"
	"testing"
)

// A damaged file system is one whose entries and tables are set by hand. The layout is that of Microsoft's "FAT: General Overview
// of On-Disk Format".
type damaged struct {
	t    testing.TB
	boot []byte // the file system, from its boot sector on, with sectors of 512 bytes
	bits int
}

// The short names in a tree that is to be damaged, as directories hold them.
const (
	startName = "START   TXT"
	rowName   = "ROW     TXT"
	overName  = "OVER       "
	asideName = "ASIDE      "
	cfgName   = "CFG     TXT"
	deepName  = "DEEP       "
)

// treeFiles are a tree that is to be damaged: two files have more than two clusters, the others have one.
func treeFiles() []orchardFile {
	long := strings.Repeat("row 7\n", 3500)
	return []orchardFile{
		{"START.TXT", long},
		{"ROW.TXT", "row 7\n"},
		{"OVER/CFG.TXT", long},
		{"OVER/DEEP/LEAF.TXT", "leaf"},
		{"ASIDE/NOTE.TXT", "note"},
	}
}

// slot is the entry of a short name.
func (d damaged) slot(short string) []byte {
	at := bytes.Index(d.boot, []byte(short))
	if at < 0 {
		d.t.Fatalf("%q is not there", short)
	}
	return d.boot[at:][:32]
}

func (d damaged) first(short string) uint32 {
	slot := d.slot(short)
	return uint32(binary.LittleEndian.Uint16(slot[0x14:]))<<16 | uint32(binary.LittleEndian.Uint16(slot[0x1A:]))
}

func (d damaged) setFirst(short string, cluster uint32) { setFirst(d.slot(short), cluster) }

func setFirst(slot []byte, cluster uint32) {
	binary.LittleEndian.PutUint16(slot[0x14:], uint16(cluster>>16))
	binary.LittleEndian.PutUint16(slot[0x1A:], uint16(cluster))
}

func (d damaged) setSize(short string, size uint32) {
	binary.LittleEndian.PutUint32(d.slot(short)[0x1C:], size)
}

// next is what the first table has for a cluster.
func (d damaged) next(cluster uint32) uint32 {
	start, _ := tablesOf(d.boot)
	at := d.boot[start+int(cluster)*d.bits/8:]
	switch d.bits {
	case 12:
		return uint32(binary.LittleEndian.Uint16(at)) >> (4 * (cluster & 1)) & 0xFFF
	case 16:
		return uint32(binary.LittleEndian.Uint16(at))
	}
	return binary.LittleEndian.Uint32(at) & 0x0FFFFFFF
}

// setNext sets what both tables have for a cluster.
func (d damaged) setNext(cluster, value uint32) {
	start, length := tablesOf(d.boot)
	for _, table := range []int{start, start + length} {
		at := d.boot[table+int(cluster)*d.bits/8:]
		switch pair := binary.LittleEndian.Uint16(at); {
		case d.bits == 32:
			binary.LittleEndian.PutUint32(at, value)
		case d.bits == 16:
			binary.LittleEndian.PutUint16(at, uint16(value))
		case cluster&1 == 0:
			binary.LittleEndian.PutUint16(at, pair&0xF000|uint16(value))
		default:
			binary.LittleEndian.PutUint16(at, pair&0x000F|uint16(value)<<4)
		}
	}
}

func (d damaged) end() uint32 { return map[int]uint32{12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}[d.bits] }

// last is the last cluster of a file or folder.
func (d damaged) last(short string) (cluster uint32) {
	for cluster = d.first(short); d.next(cluster) < d.end()-7; {
		cluster = d.next(cluster)
	}
	return cluster
}

// content is what a cluster holds, and all behind it.
func (d damaged) content(cluster uint32) []byte {
	start, length := tablesOf(d.boot)
	rootBytes := int(binary.LittleEndian.Uint16(d.boot[0x11:])) * 32
	return d.boot[start+2*length+rootBytes+int(cluster-2)*int(d.boot[0x0D])*512:]
}

// damages are the ways in which directories and tables contradict each other so that content is lost already, or would be with the
// next file.
func damages() map[string]func(damaged) {
	return map[string]func(damaged){
		"a folder in a free cluster":       func(d damaged) { d.setNext(d.first(overName), 0) },
		"a folder in a bad cluster":        func(d damaged) { d.setNext(d.first(overName), d.end()-8) },
		"a folder without a cluster":       func(d damaged) { d.setFirst(overName, 0) },
		"a folder behind all clusters":     func(d damaged) { d.setFirst(overName, d.end()-15) },
		"a folder in itself":               func(d damaged) { d.setFirst(deepName, d.first(overName)) },
		"two folders in one cluster":       func(d damaged) { d.setFirst(asideName, d.first(overName)) },
		"a folder in a file's cluster":     func(d damaged) { d.setFirst(asideName, d.first(cfgName)) },
		"a folder written over":            func(d damaged) { copy(d.content(d.first(overName)), strings.Repeat("row 7\n", 80)) },
		"a folder without itself":          func(d damaged) { d.content(d.first(overName))[0] = 0xE5 },
		"a folder that names another":      func(d damaged) { setFirst(d.content(d.first(deepName)), d.first(overName)) },
		"a folder with a file for itself":  func(d damaged) { d.content(d.first(deepName))[0x0B] = 0x20 },
		"a folder without the one above":   func(d damaged) { d.content(d.first(overName))[32] = 0xE5 },
		"a folder below another":           func(d damaged) { setFirst(d.content(d.first(deepName))[32:], d.first(asideName)) },
		"a folder below the root":          func(d damaged) { setFirst(d.content(d.first(deepName))[32:], 0) },
		"a file in a free cluster":         func(d damaged) { d.setNext(d.first(rowName), 0) },
		"a file in a bad cluster":          func(d damaged) { d.setNext(d.first(rowName), d.end()-8) },
		"a file without a cluster":         func(d damaged) { d.setFirst(rowName, 0) },
		"a file before all clusters":       func(d damaged) { d.setFirst(rowName, 1) },
		"a file behind all clusters":       func(d damaged) { d.setFirst(rowName, d.end()-15) },
		"a file in an end mark":            func(d damaged) { d.setFirst(rowName, d.end()) },
		"two files in one cluster":         func(d damaged) { d.setFirst(rowName, d.first(startName)) },
		"a file within another":            func(d damaged) { d.setFirst(rowName, d.next(d.first(startName))) },
		"an empty file in a folder":        func(d damaged) { d.setSize(rowName, 0); d.setFirst(rowName, d.first(deepName)) },
		"a file in a folder's cluster":     func(d damaged) { d.setFirst(rowName, d.first(deepName)) },
		"a file that leads into a folder":  func(d damaged) { d.setNext(d.last(startName), d.first(overName)) },
		"a file that leads into another":   func(d damaged) { d.setNext(d.last(startName), d.first(cfgName)) },
		"a file that was cut off":          func(d damaged) { d.setNext(d.next(d.first(startName)), d.end()) },
		"a file longer than its clusters":  func(d damaged) { d.setSize(rowName, 1<<20) },
		"a file of the largest size":       func(d damaged) { d.setSize(cfgName, 1<<32-1) },
		"a folder that leads into another": func(d damaged) { d.setNext(d.last(overName), d.first(asideName)) },
	}
}
