package fat_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/fat"
)

// apart is where the tests' file systems start on their media: not at the start, and at no multiple of a block.
const apart = 3 * 512

// TestNothingElseChanges holds the changed sectors against the boot sector's own words (the layout is that of Microsoft's "FAT:
// General Overview of On-Disk Format"): nothing outside the file system, nothing of its reserved sectors but FAT32's count, both
// tables alike, the first two entries of each as they were.
func TestNothingElseChanges(t *testing.T) {
	for kind, size := range kinds {
		t.Run(kind, func(t *testing.T) {
			d := made(t, kind, apart)
			markDirty(d.data[apart:], kind)
			before := bytes.Clone(d.data)
			ranges := putAll(t, d, apart, size, orchardFiles())
			if !bytes.Equal(d.data, before) {
				t.Fatal("the medium was written to")
			}
			end := int64(0)
			for _, r := range ranges {
				if r.OffsetBytes < end || r.OffsetBytes%512 != 0 || len(r.Data) == 0 || len(r.Data)%512 != 0 {
					t.Errorf("a range of %d bytes at %d after one that ends at %d", len(r.Data), r.OffsetBytes, end)
				}
				end = r.OffsetBytes + int64(len(r.Data)) + 1 // ranges that touch would be one
				copy(d.data[r.OffsetBytes:], r.Data)
			}
			expectKept(t, before, d.data, kind)
		})
	}
}

// markDirty says in both tables that the file system was not closed. FAT12 has no such mark.
func markDirty(boot []byte, kind string) {
	start, length := tablesOf(boot)
	for _, at := range []int{start, start + length} {
		switch kind {
		case "fat16":
			boot[at+3] &^= 0x80
		case "fat32":
			boot[at+7] &^= 0x08
		}
	}
}

// tablesOf tells where the first table starts and how long each is.
func tablesOf(boot []byte) (start, length int) {
	length = int(binary.LittleEndian.Uint16(boot[0x16:]))
	if length == 0 {
		length = int(binary.LittleEndian.Uint32(boot[0x24:]))
	}
	return int(binary.LittleEndian.Uint16(boot[0x0E:])) * 512, length * 512
}

func expectKept(t *testing.T, before, after []byte, kind string) {
	t.Helper()
	start, length := tablesOf(before[apart:])
	reserved := bytes.Clone(after[:apart+start])
	if kind == "fat32" {
		copy(reserved[apart+512+488:][:8], before[apart+512+488:])
	}
	if !bytes.Equal(reserved, before[:apart+start]) {
		t.Error("reserved sectors changed, or what lies before them")
	}
	if end := apart + kinds[kind]; !bytes.Equal(after[end:], before[end:]) {
		t.Error("what lies behind the file system changed")
	}
	first, second := after[apart+start:][:length], after[apart+start+length:][:length]
	if !bytes.Equal(first, second) {
		t.Error("the tables differ")
	}
	if kept := map[string]int{"fat12": 3, "fat16": 4, "fat32": 8}[kind]; !bytes.Equal(first[:kept], before[apart+start:][:kept]) {
		t.Errorf("the marks of the table are % x", first[:kept])
	}
}

func TestSameFilesGiveTheSameSectors(t *testing.T) {
	for kind, size := range kinds {
		first := putAll(t, made(t, kind, apart), apart, size, orchardFiles())
		second := putAll(t, made(t, kind, apart), apart, size, orchardFiles())
		if diff := cmp.Diff(first, second); diff != "" {
			t.Errorf("%s: %s", kind, diff)
		}
	}
}

// TestFilesAreReplacedAgainAndAgain puts every file twice more, shorter and longer, and expects no cluster to get lost.
func TestFilesAreReplacedAgainAndAgain(t *testing.T) {
	for kind, size := range kinds {
		d := made(t, kind, 0)
		put := func(content string) (used int) {
			for _, r := range putAll(t, d, 0, size, []orchardFile{{"config.txt", content}, {"new/file.conf", content}}) {
				copy(d.data[r.OffsetBytes:], r.Data)
			}
			start, length := tablesOf(d.data)
			return length - bytes.Count(d.data[start:start+length], []byte{0})
		}
		content := strings.Repeat("row ", 5000)
		first := put(content)
		put("")
		put(content + content)
		if again := put(content); again != first {
			t.Errorf("%s: the table had %d bytes in use, now %d", kind, first, again)
		}
	}
}

func TestBadFileSystemsAreRefused(t *testing.T) {
	cases := map[string]struct {
		kind  string
		spoil func(boot []byte)
	}{
		"no signature":      {"fat12", func(b []byte) { b[510] = 0 }},
		"no cluster":        {"fat12", func(b []byte) { b[0x13], b[0x14] = 40, 0 }},
		"sector size":       {"fat12", func(b []byte) { b[0x0C] = 3 }},
		"one table":         {"fat16", func(b []byte) { b[0x10] = 1 }},
		"too long":          {"fat16", func(b []byte) { b[0x14] = 0xFF }},
		"short table":       {"fat16", func(b []byte) { b[0x16] = 1 }},
		"huge table":        {"fat32", func(b []byte) { b[0x27] = 1 }},
		"root elsewhere":    {"fat32", func(b []byte) { b[0x2C] = 5 }},
		"no copies":         {"fat32", func(b []byte) { b[0x28] = 0x80 }},
		"later version":     {"fat32", func(b []byte) { b[0x2A] = 1 }},
		"no count":          {"fat32", func(b []byte) { b[512] = 0 }},
		"tables differ":     {"fat16", func(b []byte) { start, length := tablesOf(b); b[start+length+100] ^= 1 }},
		"a circle of one":   {"fat16", entries(map[uint32]uint16{9: 9})},
		"a circle of three": {"fat16", entries(map[uint32]uint16{90: 91, 91: 92, 92: 90})},
		"a tail to a ring":  {"fat16", entries(map[uint32]uint16{89: 90, 90: 91, 91: 90})},
		"two meet":          {"fat16", entries(map[uint32]uint16{90: 92, 91: 92, 92: 0xFFFF})},
		"leads to nothing":  {"fat16", entries(map[uint32]uint16{90: 93})},
		"leads outside":     {"fat16", entries(map[uint32]uint16{90: 0xFFE0})},
		"leads to a mark":   {"fat16", entries(map[uint32]uint16{90: 1})},
		"stray long name":   {"fat12", func(b []byte) { root(b)[32*3+13] ^= 1 }},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			d := made(t, c.kind, 0)
			if err := refusal(d.data, 0, kinds[c.kind], orchardFile{"row.conf", "x"}); err != nil {
				t.Fatal(err)
			}
			c.spoil(d.data)
			if err := refusal(d.data, 0, kinds[c.kind], orchardFile{"row.conf", "x"}); !isError(err, fat.ErrUnsound) {
				t.Errorf("got %v", err)
			}
		})
	}
}

// entries sets entries of both tables of a FAT16 file system.
func entries(values map[uint32]uint16) func(boot []byte) {
	return func(boot []byte) {
		start, length := tablesOf(boot)
		for cluster, value := range values {
			binary.LittleEndian.PutUint16(boot[start+int(cluster)*2:], value)
			binary.LittleEndian.PutUint16(boot[start+length+int(cluster)*2:], value)
		}
	}
}

// root is the root directory of a FAT12 or FAT16 file system.
func root(boot []byte) []byte {
	start, length := tablesOf(boot)
	return boot[start+2*length:]
}

func TestNamesInTheWayAreRefused(t *testing.T) {
	d := made(t, "fat32", 0)
	for path, want := range map[string]error{
		"overlays":               fat.ErrOccupied,
		"OVERLAYS":               fat.ErrOccupied,
		"config.txt/row":         fat.ErrOccupied,
		"row?":                   fat.ErrName,
		"row ":                   fat.ErrName,
		"a//b":                   fat.ErrName,
		"../row":                 fat.ErrName,
		"row\U0001F333":          fat.ErrName,
		"row\xff":                fat.ErrName,
		strings.Repeat("r", 256): fat.ErrName,

		strings.Repeat("r/", 129) + "row": fat.ErrName,
	} {
		if err := refusal(d.data, 0, kinds["fat32"], orchardFile{path, "x"}); !isError(err, want) {
			t.Errorf("%q: got %v, want %v", path, err, want)
		}
	}
	if err := refusal(d.data, 0, kinds["fat32"], orchardFile{strings.Repeat("r", 255), "x"}); err != nil {
		t.Error(err)
	}
}

// The root directory of FAT12 and FAT16 cannot grow; every other one can.
func TestDirectoriesGrowUntilTheyAreFull(t *testing.T) {
	for kind, size := range kinds {
		var files []orchardFile
		for i := range 200 {
			files = append(files, orchardFile{fmt.Sprintf("leaves of the tree number %d", i), ""})
		}
		volume, err := fat.Open(made(t, kind, 0), 0, size)
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			if err = volume.Put(file.path, nil, whenPut); err != nil {
				break
			}
		}
		if full := errors.Is(err, fat.ErrFull); full == (kind == "fat32") {
			t.Errorf("%s: %v", kind, err)
		}
		for i := range files {
			files[i].path = "below/" + files[i].path
		}
		putAll(t, made(t, kind, 0), 0, size, files)
	}
}

// Similar names get short ones that differ, and no two files become one.
func TestSimilarNamesStayApart(t *testing.T) {
	d := made(t, "fat16", 0)
	var files []orchardFile
	for i := range 120 {
		files = append(files, orchardFile{fmt.Sprintf("row of trees %d.conf", i), fmt.Sprint(i)})
	}
	for _, r := range putAll(t, d, 0, kinds["fat16"], files) {
		copy(d.data[r.OffsetBytes:], r.Data)
	}
	var shorts []string
	for at := root(d.data); at[0] != 0; at = at[32:] {
		if at[11] != 0x0F {
			shorts = append(shorts, string(at[:11]))
		}
	}
	slices.Sort(shorts)
	if distinct := len(slices.Compact(slices.Clone(shorts))); distinct != len(shorts) || len(shorts) < 120 {
		t.Errorf("%d short names, %d of them distinct: %q", len(shorts), distinct, shorts)
	}
}

func TestMediumThatFailsIsTold(t *testing.T) {
	cause := errors.New("no answer")
	d := made(t, "fat12", 0)
	for reads := range 200 {
		medium := &failing{disk: d, left: reads, err: cause}
		volume, err := fat.Open(medium, 0, kinds["fat12"])
		if err == nil {
			err = volume.Put("row.conf", []byte("x"), whenPut)
		}
		if err == nil {
			_, err = volume.Finish()
		}
		if err == nil {
			if reads < 8 {
				t.Errorf("only %d reads were made", reads)
			}
			return
		}
		if !errors.Is(err, cause) {
			t.Fatalf("read %d fails: got %v", reads, err)
		}
	}
	t.Error("there is no end of reads")
}

// A failing medium gives so many answers and then an error.
type failing struct {
	*disk
	left int
	err  error
}

func (f *failing) ReadAt(b []byte, offsetBytes int64) (int, error) {
	if f.left--; f.left < 0 {
		return iotest.ErrReader(f.err).Read(b)
	}
	return f.disk.ReadAt(b, offsetBytes)
}

func TestKeysAreAlikeWhereFATSeesNoDifference(t *testing.T) {
	for _, c := range []struct {
		one, other string
		alike      bool
	}{{"Config.TXT", "config.txt", true}, {"grüße", "GRÜSSE", false}, {"GRÜN", "grün", true}, {"a", "b", false}} {
		if alike := fat.Key(c.one) == fat.Key(c.other); alike != c.alike || alike != strings.EqualFold(c.one, c.other) {
			t.Errorf("%q and %q: alike %v", c.one, c.other, alike)
		}
	}
}
