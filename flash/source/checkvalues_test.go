package source_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/flash/source"
)

func sumOf(content []byte) string {
	digest := sha256.Sum256(content)
	return hex.EncodeToString(digest[:])
}

func unhex(t testing.TB, digits string) []byte {
	t.Helper()
	raw, err := hex.DecodeString(strings.ReplaceAll(digits, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// abcSHA256 is the first example of FIPS 180-4 for SHA-256 (from memory; sha256sum agrees).
const abcSHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"

// "abc" as packed by gzip -n 1.12, bzip2 1.0.8 and zstd 1.5.4 (from a file, then from a pipe).
var packedABC = map[source.Format][]string{
	source.FormatGzip:  {"1f8b0800000000000003 4b4c4a0600 c2412435 03000000"},
	source.FormatBzip2: {"425a6839314159265359648cbb73000000010038002000219819846177245385090648cbb730"},
	source.FormatZstd:  {"28b52ffd 24 03 190000 616263 990977ad", "28b52ffd 04 58 190000 616263 990977ad"},
}

func TestKnownBytesDecode(t *testing.T) {
	for format, all := range packedABC {
		for _, digits := range all {
			decoded, facts, err := decodeBytes(t, unhex(t, digits), source.Options{})
			if err != nil || string(decoded) != "abc" || facts.Format != format || facts.ImageSHA256 != abcSHA256 {
				t.Errorf("%s: %q, %+v, %v", format, decoded, facts, err)
			}
		}
	}
}

// What the same tools make of no input.
func TestEmptyContainersAreNoImage(t *testing.T) {
	for name, digits := range map[string]string{
		"bzip2":     "425a683917724538509000000000",
		"gzip":      "1f8b0800000000000003 0300 0000000000000000",
		"xz":        "fd377a585a000004e6d6b446 000000001cdf4421 1fb6f37d 01000000 0004 595a",
		"zstd":      "28b52ffd24 00 010000 99e9d851",
		"skippable": "502a4d18 00000000", // RFC 8878, section 3.1.2
		"nothing":   "",
	} {
		if _, _, err := decodeBytes(t, unhex(t, digits), source.Options{}); !errors.Is(err, source.ErrEmpty) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Examples of FIPS 180-4 and its test vectors (from memory; sha256sum agrees).
func TestDigestsAreSHA256(t *testing.T) {
	for _, c := range []struct{ message, want string }{
		{"abc", abcSHA256},
		{
			"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
			"248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
		},
		{strings.Repeat("a", 1_000_000), "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
	} {
		_, facts, err := decodeBytes(t, []byte(c.message), source.Options{Raw: true})
		if err != nil || facts.PackedSHA256 != c.want || facts.ImageSHA256 != c.want {
			t.Errorf("%.20q: %+v, %v", c.message, facts, err)
		}
	}
}

func TestRawTakesBytesAsTheyAre(t *testing.T) {
	for _, length := range []int{1, 2, 511, 512, 513, 1023, 256<<10 - 1, 256 << 10, 256<<10 + 1, 1<<20 + 7} {
		content := bytes.Repeat([]byte{0xa7, 1, 2}, length/3+1)[:length]
		decoded, facts, err := decodeBytes(t, content, source.Options{Raw: true})
		if err != nil || !bytes.Equal(decoded, content) || facts.Format != source.FormatRaw {
			t.Errorf("%d bytes: %+v, %v", length, facts, err)
		}
	}
	packed := readFixture(t, "sized.zst")
	if decoded, _, err := decodeBytes(t, packed, source.Options{Raw: true}); err != nil || !bytes.Equal(decoded, packed) {
		t.Errorf("a container taken as it is: %v", err)
	}
}

func TestUnpackedImageMustLookLikeOne(t *testing.T) {
	disk := diskOf(4 << 10)
	for _, c := range []struct {
		name    string
		content []byte
		want    error
	}{
		{"table", disk, nil},
		{"long", diskOf(1 << 20), nil},
		{"one byte short", disk[:len(disk)-1], source.ErrUnknownFormat},
		{"one byte long", append(bytes.Clone(disk), 0), source.ErrUnknownFormat},
		{"long and odd", diskOf(1<<20 + 1), source.ErrUnknownFormat},
		{"zeros", make([]byte, 4<<10), source.ErrUnknownFormat},
		{"a web page", []byte("<!DOCTYPE html>" + strings.Repeat(" ", 512-15)), source.ErrUnknownFormat},
		// "abc" as an LZ4 frame (lz4 1.9.4): a container that is not read here, filled up to a sector.
		{"another container", append(unhex(t, "04224d186440a70300008061626300000000ff53d132"), make([]byte, 490)...), source.ErrUnknownFormat},
	} {
		path := writeFile(t, "disk.img", c.content)
		for _, way := range []string{"file", "stream"} {
			var decoded []byte
			var err error
			if way == "file" {
				decoded, _, err = decode(t, path, source.Options{})
			} else {
				decoded, _, err = decodeBytes(t, c.content, source.Options{})
			}
			if !errors.Is(err, c.want) || c.want == nil && !bytes.Equal(decoded, c.content) {
				t.Errorf("%s, %s: %v, want %v", c.name, way, err, c.want)
			}
		}
	}
}

// diskOf makes a disk with an MBR (layout common practice): one Linux partition from sector 1 on.
func diskOf(lengthBytes int) []byte {
	disk := make([]byte, lengthBytes)
	copy(disk[446:], "\x00\x00\x02\x00\x83\x00\x02\x00\x01\x00\x00\x00\x07\x00\x00\x00")
	disk[510], disk[511] = 0x55, 0xaa
	return disk
}

func writeFile(t testing.TB, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
