package fat_test

import (
	"bytes"
	"testing"

	"cardwright/internal/fat"
)

// FuzzPut spoils a file system at places of the fuzzer's choice and puts a file into it. Whatever the bytes say, it ends, changes
// lie within the file system and spare its boot sector, a file that was put is read back, and the file system is taken again.
func FuzzPut(f *testing.F) {
	bases := map[byte]string{0: "fat12", 1: "fat16", 2: "fat32"}
	images := map[byte][]byte{}
	for n, kind := range bases {
		images[n] = made(f, kind, apart).data
		f.Add(n, []byte{}, "row.conf", []byte("row 7"))
		f.Add(n, []byte{0, 0x0B, 0xFF}, "a/long name for a file.conf", []byte{})
		f.Add(n, []byte{2, 4, 3, 2, 6, 2}, "config.txt", bytes.Repeat([]byte("x"), 5000))
		f.Add(n, []byte{0, 0x13, 9, 4, 0, 0xE5}, "overlays/first.dtbo", []byte("x"))
		f.Add(n, []byte{0x20, 3, 0, 0x40, 0x3A, 2, 0x40, 0x5A, 2}, "overlays/second.dtbo", []byte("x"))
	}
	f.Fuzz(func(t *testing.T, base byte, spoiled []byte, path string, content []byte) {
		base %= byte(len(bases))
		size := kinds[bases[base]]
		image := bytes.Clone(images[base])
		boot := image[apart:]
		start, length := tablesOf(boot)
		areas := [][]byte{boot[:512], boot[512:1024], boot[start:][:length], boot[start+length:][:length], boot[start+2*length:][:16<<10]}
		for ; len(spoiled) >= 3; spoiled = spoiled[3:] {
			area := areas[int(spoiled[0]>>4)%len(areas)]
			area[(int(spoiled[0]&0xF)<<8|int(spoiled[1]))%len(area)] = spoiled[2]
			if int(spoiled[0]>>4)%len(areas) == 2 { // both tables, else none that is spoiled is ever looked at
				copy(areas[3], areas[2])
			}
		}
		volume, err := fat.Open(bytes.NewReader(image), apart, size)
		if err != nil {
			return
		}
		if err := volume.Put(path, content, whenPut); err != nil {
			return
		}
		ranges, err := volume.Finish()
		if err != nil {
			if len(ranges) > 0 {
				t.Error("sectors beside an error")
			}
			return
		}
		for _, r := range ranges {
			if r.OffsetBytes < apart+512 || r.OffsetBytes+int64(len(r.Data)) > apart+size {
				t.Errorf("%d bytes at %d would change", len(r.Data), r.OffsetBytes)
			}
		}
		apply(image, ranges)
		if _, err := fat.Open(bytes.NewReader(image), apart, size); err != nil {
			t.Error(err)
		}
	})
}
