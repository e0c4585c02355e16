package source_test

import (
	"bytes"
	"errors"
	"testing"

	"cardwright/flash/source"
)

// joints are the places where a file of several parts may be cut and is a sound, shorter file: the ends of its parts. No
// container tells that a whole part is missing. By `xz -l -vv`, `gzip -l` of the parts, `zstd -lv`, and the parts' sizes.
var joints = map[string][]int{
	"streams.xz":  {360, 364, 368, 548},
	"members.gz":  {716},
	"frames.zst":  {699, 707, 895}, // 11 bytes of skippable frame alone hold no image
	"streams.bz2": {467},
}

func TestTruncationAtEveryByteIsAnError(t *testing.T) {
	for _, f := range fixtures {
		packed := readFixture(t, f.name)
		var sound []int
		for length := range packed {
			_, _, err := decodeBytes(t, packed[:length], source.Options{})
			if err == nil {
				sound = append(sound, length)
				continue
			}
			if length > 12 && !isOneOf(err, source.ErrTruncated, source.ErrTrailing, source.ErrEmpty) {
				t.Errorf("%s cut to %d bytes: %v", f.name, length, err)
			}
		}
		if want := joints[f.name]; !equal(sound, want) {
			t.Errorf("%s passes as sound when cut to %v bytes, want %v", f.name, sound, want)
		}
	}
}

// everyNth is how many places of a file a test goes on at once: in a short run it tries some of them.
func everyNth() int {
	n := 1
	if testing.Short() {
		n = 7
	}
	return n
}

func TestEveryFlippedByteIsFoundOrHarmless(t *testing.T) {
	for _, f := range fixtures {
		if f.name == "check-none.xz" {
			continue // nothing in it protects the content
		}
		packed := readFixture(t, f.name)
		want, _, err := decodeBytes(t, packed, source.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for at := 0; at < len(packed); at += everyNth() {
			for _, flip := range []byte{0x01, 0xff} {
				damaged := bytes.Clone(packed)
				damaged[at] ^= flip
				got, _, err := decodeBytes(t, damaged, source.Options{})
				if err == nil && !bytes.Equal(got, want) {
					t.Errorf("%s with byte %d flipped by %#x decodes to other bytes", f.name, at, flip)
				}
			}
		}
	}
}

func TestTrailingGarbageIsAnError(t *testing.T) {
	for _, f := range fixtures {
		packed := readFixture(t, f.name)
		for _, garbage := range []string{"\x00", "x", "BX", "\x1f", "\x00\x00\x00", "garbage", "\x00\x00\x00\x00\x01", "<html>and more of it</html>"} {
			_, _, err := decodeBytes(t, append(bytes.Clone(packed), garbage...), source.Options{})
			if !errors.Is(err, source.ErrTrailing) {
				t.Errorf("%s with %q behind it: %v", f.name, garbage, err)
			}
		}
	}
}

// Every container that ends where another of its kind begins and stops there was cut.
func TestCutContinuationIsTruncated(t *testing.T) {
	for _, name := range []string{"check-crc32.xz", "named.gz", "sized.zst", "one.bz2"} {
		packed := readFixture(t, name)
		for _, length := range []int{5, 12, 20} {
			_, _, err := decodeBytes(t, append(bytes.Clone(packed), packed[:length]...), source.Options{})
			if !errors.Is(err, source.ErrTruncated) {
				t.Errorf("%s with its first %d bytes again: %v", name, length, err)
			}
		}
	}
}

// A part that ends before it is full, in a source that goes on, was not cut but damaged. Byte 14 states the length of the code
// that the literals are packed in (RFC 8878, section 4.2.1.1).
func TestPartThatEndsTooSoonIsNoCut(t *testing.T) {
	packed := readFixture(t, "sized.zst")
	if packed[7]>>1&3 != 2 || packed[10]&3 != 2 {
		t.Fatalf("unexpected block header % x", packed[7:14])
	}
	damaged := append(bytes.Clone(packed), packed...)
	damaged[14] = 4
	_, _, err := decodeBytes(t, damaged, source.Options{})
	if !errors.Is(err, source.ErrMalformed) || errors.Is(err, source.ErrTruncated) {
		t.Error(err)
	}
}

func TestErrorTellsThePlace(t *testing.T) {
	packed := readFixture(t, "check-crc64.xz")
	_, _, err := decodeBytes(t, packed[:len(packed)-5], source.Options{})
	var typed *source.Error
	if !errors.As(err, &typed) || typed.Op != "decode xz" || typed.OffsetBytes != int64(len(packed)-12) { // where the footer begins
		t.Errorf("cut in the footer: %#v", typed)
	}
}

func isOneOf(err error, sentinels ...error) bool {
	for _, sentinel := range sentinels {
		if errors.Is(err, sentinel) {
			return true
		}
	}
	return false
}

func equal(got, want []int) bool {
	if len(got) != len(want) {
		return false
	}
	for i := range got {
		if got[i] != want[i] {
			return false
		}
	}
	return true
}
