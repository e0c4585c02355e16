package source_test

import (
	"bytes"
	"io"
	"testing"

	"cardwright/flash/source"
)

// fuzzedBytes bounds time: a small input may rightly decode to gigabytes.
const fuzzedBytes = 16 << 20

// fuzzFormat feeds damaged files to one decoder. Whatever they hold, nothing panics, errors are typed, and a second reading
// in other steps gives the same bytes and the same end.
func fuzzFormat(f *testing.F, format source.Format) {
	seeds := 0
	for _, fixture := range fixtures {
		if fixture.format == format {
			f.Add(readFixture(f, fixture.name))
			seeds++
		}
	}
	for _, digits := range packedABC[format] {
		f.Add(unhex(f, digits))
	}
	if seeds == 0 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, packed []byte) {
		first, firstEnd := readSome(t, packed, 4096)
		second, secondEnd := readSome(t, packed, 37)
		if !bytes.Equal(first, second) || (firstEnd == nil) != (secondEnd == nil) {
			t.Errorf("%d bytes and %v, then %d bytes and %v", len(first), firstEnd, len(second), secondEnd)
		}
	})
}

func readSome(t *testing.T, packed []byte, stepBytes int) ([]byte, error) {
	image, err := source.Open(t.Context(), "-", source.Options{Stdin: bytes.NewReader(packed), MaxWindowBytes: 1 << 20})
	if err != nil {
		wantTyped(t, err)
		return nil, err
	}
	defer image.Close()
	var decoded []byte
	step := make([]byte, stepBytes)
	for len(decoded) < fuzzedBytes {
		n, err := image.Read(step)
		decoded = append(decoded, step[:n]...)
		if err == io.EOF { // io.Reader promises it unwrapped
			return decoded, nil
		}
		if err != nil {
			wantTyped(t, err)
			return decoded, err
		}
	}
	return decoded[:fuzzedBytes], nil
}

func FuzzImageXZ(f *testing.F)    { fuzzFormat(f, source.FormatXZ) }
func FuzzImageGzip(f *testing.F)  { fuzzFormat(f, source.FormatGzip) }
func FuzzImageZstd(f *testing.F)  { fuzzFormat(f, source.FormatZstd) }
func FuzzImageBzip2(f *testing.F) { fuzzFormat(f, source.FormatBzip2) }
func FuzzImageZip(f *testing.F)   { fuzzFormat(f, source.FormatZip) }

func FuzzParseExpected(f *testing.F) {
	f.Add([]byte(numbersSHA256 + "  numbers.img\n"))
	f.Add([]byte("SHA256 (numbers.img) = " + numbersSHA256 + "\r\n# more\n"))
	f.Add([]byte(`\` + numbersSHA256 + ` *a\\b` + "\n"))
	f.Add([]byte(numbersSHA256))
	f.Fuzz(func(t *testing.T, content []byte) {
		expected, err := source.ParseExpected(writeFile(t, "sums", content))
		if err != nil {
			return
		}
		// A list that was taken must be able to speak against a file.
		options := source.Options{Expected: expected, Raw: true}
		if _, facts, err := decodeBytes(t, []byte("x"), options); err == nil && facts.Expected != source.Matched {
			t.Errorf("%q: passed with %q", content, facts.Expected)
		}
	})
}
