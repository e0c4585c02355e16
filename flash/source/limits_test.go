package source_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"strings"
	"testing"

	"cardwright/flash/source"
)

// withDictionary gives a fixture whose first block asks for another dictionary. The block header of check-crc64.xz is, by
// "The .xz File Format" 1.1.0: size 02, flags 00, filter 21, property size 01, property, zeros 3, CRC-32 4.
func withDictionary(t *testing.T, property byte) []byte {
	t.Helper()
	packed := readFixture(t, "check-crc64.xz")
	header := packed[12:24]
	if header[0] != 2 || header[2] != 0x21 || header[3] != 1 {
		t.Fatalf("unexpected block header % x", header)
	}
	header[4] = property
	binary.LittleEndian.PutUint32(header[8:], crc32.ChecksumIEEE(header[:8]))
	return packed
}

func TestXZDictionaryIsCapped(t *testing.T) {
	for _, c := range []struct {
		property byte
		asked    string // bytes by section 5.3.1 of the format
		want     error
	}{
		{0, "4096", nil},
		{30, "134217728", nil},
		{33, "402653184", source.ErrTooMuchMemory},
		{40, "4294967295", source.ErrTooMuchMemory},
		{41, "", source.ErrUnsupported},
		{0xff, "", source.ErrUnsupported},
	} {
		_, _, err := decodeBytes(t, withDictionary(t, c.property), source.Options{})
		if !errors.Is(err, c.want) {
			t.Errorf("property %d: %v, want %v", c.property, err, c.want)
		}
		if errors.Is(c.want, source.ErrTooMuchMemory) && !strings.Contains(err.Error(), c.asked) {
			t.Errorf("property %d: %q does not tell the %s bytes asked for", c.property, err, c.asked)
		}
	}
}

// A window of 2^(10+exponent) bytes is stated by exponent<<3 (RFC 8878, section 3.1.1.1.2).
func TestZstdWindowIsCapped(t *testing.T) {
	for _, c := range []struct {
		windowByte     byte
		maxWindowBytes int64
		asked          string
		want           error
	}{
		{17 << 3, 0, "134217728", nil},
		{17<<3 | 1, 0, "150994944", source.ErrTooMuchMemory},
		{18 << 3, 0, "268435456", source.ErrTooMuchMemory},
		{18 << 3, 256 << 20, "", nil},
		{11 << 3, 1 << 20, "2097152", source.ErrTooMuchMemory},
	} {
		packed := unhex(t, "28b52ffd 04 58 190000 616263 990977ad") // "abc" by zstd 1.5.4
		packed[5] = c.windowByte
		_, _, err := decodeBytes(t, packed, source.Options{MaxWindowBytes: c.maxWindowBytes})
		if !errors.Is(err, c.want) {
			t.Errorf("window byte %#x of at most %d: %v, want %v", c.windowByte, c.maxWindowBytes, err, c.want)
		}
		if errors.Is(c.want, source.ErrTooMuchMemory) && !strings.Contains(err.Error(), c.asked) {
			t.Errorf("window byte %#x: %q does not tell the %s bytes asked for", c.windowByte, err, c.asked)
		}
	}
	// One segment of 2^32 bytes: its size is its window.
	huge := unhex(t, "28b52ffd a0 00000000 190000 616263")
	binary.LittleEndian.PutUint32(huge[5:], 1<<32-1)
	if _, _, err := decodeBytes(t, huge, source.Options{}); !errors.Is(err, source.ErrTooMuchMemory) {
		t.Errorf("huge segment: %v", err)
	}
	if _, err := source.Open(t.Context(), fixturePath("sized.zst"), source.Options{MaxWindowBytes: -1}); err == nil {
		t.Error("a negative window was taken")
	}
}

func TestZstdDictionaryIsRefused(t *testing.T) {
	packed := unhex(t, "28b52ffd 05 58 07 190000 616263 990977ad") // dictionary id 7 in one byte
	if _, _, err := decodeBytes(t, packed, source.Options{}); !errors.Is(err, source.ErrUnsupported) {
		t.Error(err)
	}
}

func TestXZPaddingComesInFours(t *testing.T) {
	packed := readFixture(t, "check-crc32.xz")
	for length := range 13 {
		_, _, err := decodeBytes(t, append(bytes.Clone(packed), make([]byte, length)...), source.Options{})
		if want := length%4 == 0; (err == nil) != want {
			t.Errorf("%d zeros behind: %v", length, err)
		}
	}
}

// xz 5.4.1 calls all of these damaged too.
func TestXZContainerMustBeSound(t *testing.T) {
	packed := readFixture(t, "check-crc32.xz")
	footer := len(packed) - 12
	for name, change := range map[string]func([]byte){
		"backward size": func(p []byte) {
			p[footer+4]++
			binary.LittleEndian.PutUint32(p[footer:], crc32.ChecksumIEEE(p[footer+4:footer+10]))
		},
		"footer flags": func(p []byte) {
			p[footer+9] = 4
			binary.LittleEndian.PutUint32(p[footer:], crc32.ChecksumIEEE(p[footer+4:footer+10]))
		},
		"index record": func(p []byte) { p[footer-7]++; resumIndex(p[:footer]) },
		"record count": func(p []byte) { p[footer-11]++; resumIndex(p[:footer]) },
	} {
		damaged := bytes.Clone(packed)
		change(damaged)
		if _, _, err := decodeBytes(t, damaged, source.Options{}); !isOneOf(err, source.ErrMalformed, source.ErrChecksum, source.ErrTruncated) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// resumIndex mends the CRC-32 of the 12-byte index that ends there, so that only its content is wrong.
func resumIndex(packed []byte) {
	index := packed[len(packed)-12:]
	binary.LittleEndian.PutUint32(index[8:], crc32.ChecksumIEEE(index[:8]))
}

// Sizes that a file states are for planning: a lie about them neither helps nor harms.
func TestStatedSizeIsNoProof(t *testing.T) {
	packed := readFixture(t, "sized.zst")
	packed[5]++ // the content size, in two bytes
	image, err := source.Open(t.Context(), writeFile(t, "lie.zst", packed), source.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer image.Close()
	if size, known := image.DeclaredBytes(); !known || size != 1493 {
		t.Errorf("declared %d, %v", size, known)
	}
	if _, err := image.Read(make([]byte, 4096)); !errors.Is(err, source.ErrMalformed) {
		if _, err = image.Read(make([]byte, 4096)); !errors.Is(err, source.ErrMalformed) {
			t.Error(err)
		}
	}
}
