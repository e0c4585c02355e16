package partition_test

import (
	"slices"
	"testing"

	"cardwright/partition"
)

// A patchedMedium is a fixture with some bytes changed, as a fuzzer asks for, and counts what is read of it.
type patchedMedium struct {
	content    []byte
	patches    map[int64]byte
	reads      int
	askedBytes int64
}

func (m *patchedMedium) ReadAt(b []byte, offsetBytes int64) (int, error) {
	m.reads++
	m.askedBytes += int64(len(b))
	n := copy(b, m.content[offsetBytes:])
	for at, value := range m.patches {
		if at >= offsetBytes && at < offsetBytes+int64(n) {
			b[at-offsetBytes] = value
		}
	}
	return n, nil
}

// patchesOf reads a fuzzer's bytes as changes: 3 bytes of place, of which the highest bits are not used, and the new value.
func patchesOf(fuzzed []byte, sizeBytes int) map[int64]byte {
	patches := map[int64]byte{}
	for ; len(fuzzed) >= 4 && len(patches) < 256; fuzzed = fuzzed[4:] {
		at := int(fuzzed[0]) | int(fuzzed[1])<<8 | int(fuzzed[2])<<16
		patches[int64(at%sizeBytes)] = fuzzed[3]
	}
	return patches
}

// fuzzFree changes a fixture and holds what is free to bounds, whatever the tables say. Where nothing was changed that the file
// system is told by, that is what it was.
func fuzzFree(f *testing.F, name string, structures func(r partition.Range) bool) {
	content := expand(f, "free/"+name+".zst")
	f.Add([]byte{})
	for _, at := range []int{1024 + 4, 1024 + 0x18, 1024 + 0x20, 1024 + 0x28, 1024 + 0x5C, 2048 + 8, 13, 14, 16, 22, 36, 512 + 3} {
		f.Add([]byte{byte(at), byte(at >> 8), 0, 0xFF})
	}
	f.Fuzz(func(t *testing.T, fuzzed []byte) {
		medium := &patchedMedium{content: content, patches: patchesOf(fuzzed, len(content))}
		table, err := partition.Inspect(medium, int64(len(content)), 512)
		if err != nil {
			t.Fatal(err)
		}
		medium.reads, medium.askedBytes = 0, 0
		free, err := partition.FreeSpace(medium, table, int64(len(content)))
		if err != nil {
			t.Fatal(err)
		}
		if medium.askedBytes > 4*int64(len(content)) || medium.reads > 100_000 {
			t.Errorf("%d reads of %d bytes", medium.reads, medium.askedBytes)
		}
		end := int64(mib)
		for _, r := range free {
			if r.OffsetBytes < end || r.LengthBytes < 64<<10 || r.EndBytes() > int64(len(content))-mib {
				t.Errorf("%v behind %d", r, end)
			}
			end = r.EndBytes() + 1
		}
		if len(medium.patches) == 0 && (len(free) == 0 || slices.ContainsFunc(free, structures)) {
			t.Errorf("%v", free)
		}
	})
}

// FuzzFreeOfExtUnchecked starts from ext2, where no checksum keeps a fuzzer from getting far.
func FuzzFreeOfExtUnchecked(f *testing.F) {
	fuzzFree(f, "ext2", func(r partition.Range) bool { return r.OffsetBytes < mib })
}

func FuzzFreeOfExt(f *testing.F) {
	fuzzFree(f, "ext4", func(r partition.Range) bool { return r.OffsetBytes < 1074*1024 })
}

func FuzzFreeOfFAT12(f *testing.F) {
	fuzzFree(f, "fat12", func(r partition.Range) bool { return r.OffsetBytes < mib })
}

func FuzzFreeOfFAT16(f *testing.F) {
	fuzzFree(f, "fat16", func(r partition.Range) bool { return r.OffsetBytes < mib })
}

func FuzzFreeOfFAT32(f *testing.F) {
	fuzzFree(f, "fat32", func(r partition.Range) bool { return r.OffsetBytes < mib })
}
