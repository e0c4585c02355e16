package source_test

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"testing/iotest"

	"cardwright/flash/source"
)

// Digests by sha256sum (coreutils 9.1) of what testdata/make.sh packs.
const (
	numbersSHA256 = "079c7f8c11c1f937511ef9b17fdcc14345730c69d29d3d269175eb545ce02f45"
	bothSHA256    = "e198818c87e533b7ab0c72b1ccf0888c7a849d936e10ced3fa3be16544deaf2c"
)

type fixture struct {
	name     string
	format   source.Format
	digest   string
	declared int64 // by `xz -l`, `zstd -lv`, `zipinfo`; -1 where the format does not tell
}

var fixtures = []fixture{
	{"check-none.xz", source.FormatXZ, numbersSHA256, 1492},
	{"check-crc32.xz", source.FormatXZ, numbersSHA256, 1492},
	{"check-crc64.xz", source.FormatXZ, numbersSHA256, 1492},
	{"check-sha256.xz", source.FormatXZ, numbersSHA256, 1492},
	{"blocks.xz", source.FormatXZ, numbersSHA256, 1492},
	{"blocks-sized.xz", source.FormatXZ, numbersSHA256, 1492},
	{"filter.xz", source.FormatXZ, numbersSHA256, 1492},
	{"streams.xz", source.FormatXZ, bothSHA256, 1892},
	{"named.gz", source.FormatGzip, numbersSHA256, -1},
	{"members.gz", source.FormatGzip, bothSHA256, -1},
	{"sized.zst", source.FormatZstd, numbersSHA256, 1492},
	{"piped.zst", source.FormatZstd, numbersSHA256, -1},
	{"frames.zst", source.FormatZstd, bothSHA256, 1892},
	{"one.bz2", source.FormatBzip2, numbersSHA256, -1},
	{"streams.bz2", source.FormatBzip2, bothSHA256, -1},
	{"deflated.zip", source.FormatZip, numbersSHA256, 1492},
	{"stored.zip", source.FormatZip, numbersSHA256, 1492},
	{"wide.zip", source.FormatZip, numbersSHA256, 1492},
	{"piped.zip", source.FormatZip, numbersSHA256, 1492},
	{"folder.zip", source.FormatZip, numbersSHA256, 1492},
}

func fixturePath(name string) string { return filepath.Join("testdata", name) }

func readFixture(t testing.TB, name string) []byte {
	t.Helper()
	content, err := os.ReadFile(fixturePath(name))
	if err != nil {
		t.Fatal(err)
	}
	return content
}

// decodeStream opens the bytes as standard input and reads them to the end.
func decodeStream(t testing.TB, stream io.Reader, options source.Options) ([]byte, source.Facts, error) {
	t.Helper()
	options.Stdin = stream
	return decode(t, "-", options)
}

func decodeBytes(t testing.TB, packed []byte, options source.Options) ([]byte, source.Facts, error) {
	t.Helper()
	return decodeStream(t, bytes.NewReader(packed), options)
}

func decode(t testing.TB, name string, options source.Options) ([]byte, source.Facts, error) {
	t.Helper()
	image, err := source.Open(t.Context(), name, options)
	if err != nil {
		wantTyped(t, err)
		return nil, source.Facts{}, err
	}
	decoded, err := io.ReadAll(image)
	if err != nil {
		wantTyped(t, err)
		if _, again := image.Read(make([]byte, 1)); again != err { // the very same error is promised
			t.Errorf("a second read gives %v after %v", again, err)
		}
	}
	if err := image.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
	return decoded, image.Facts(), err
}

func wantTyped(t testing.TB, err error) {
	t.Helper()
	var typed *source.Error
	if !errors.As(err, &typed) {
		t.Errorf("error %v (%T) holds no *source.Error", err, err)
	}
}

func TestFixturesDecodeFromFile(t *testing.T) {
	for _, f := range fixtures {
		t.Run(f.name, func(t *testing.T) {
			image, err := source.Open(t.Context(), fixturePath(f.name), source.Options{})
			if err != nil {
				t.Fatal(err)
			}
			defer image.Close()
			if size, known := image.DeclaredBytes(); known != (f.declared >= 0) || known && size != f.declared {
				t.Errorf("declared %d, %v; want %d", size, known, f.declared)
			}
			packed := readFixture(t, f.name)
			if size, known := image.PackedBytes(); !known || size != int64(len(packed)) {
				t.Errorf("packed size %d, %v before reading", size, known)
			}
			before := image.Facts()
			if before.Expected != source.Absent || before.ImageSHA256 != "" || before.Format != f.format {
				t.Errorf("facts before reading: %+v", before)
			}
			decoded, err := io.ReadAll(image)
			if err != nil {
				t.Fatal(err)
			}
			want := source.Facts{
				Name: f.name, Format: f.format, PackedBytes: int64(len(packed)), ImageBytes: int64(len(decoded)),
				PackedSHA256: sumOf(packed), ImageSHA256: f.digest, Expected: source.Absent,
			}
			if got := image.Facts(); got != want {
				t.Errorf("facts %+v, want %+v", got, want)
			}
			if got := sumOf(decoded); got != f.digest {
				t.Errorf("decoded bytes have digest %s, want %s", got, f.digest)
			}
			if image.PackedRead() != int64(len(packed)) {
				t.Errorf("packed bytes read: %d of %d", image.PackedRead(), len(packed))
			}
		})
	}
}

func TestFixturesDecodeFromStutteringStreams(t *testing.T) {
	stutters := map[string]func(io.Reader) io.Reader{
		"byte by byte": iotest.OneByteReader, "halves": iotest.HalfReader, "data with error": iotest.DataErrReader,
		"empty reads": func(r io.Reader) io.Reader { return &everySecondEmpty{from: iotest.OneByteReader(r)} },
	}
	for _, f := range fixtures {
		for kind, stutter := range stutters {
			_, facts, err := decodeStream(t, stutter(bytes.NewReader(readFixture(t, f.name))), source.Options{})
			if err != nil || facts.ImageSHA256 != f.digest || facts.Name != "-" {
				t.Errorf("%s, %s: %+v, %v", f.name, kind, facts, err)
			}
		}
	}
}

// everySecondEmpty returns 0, nil before each byte, as an io.Reader may.
type everySecondEmpty struct {
	from io.Reader
	odd  bool
}

func (e *everySecondEmpty) Read(p []byte) (int, error) {
	if e.odd = !e.odd; e.odd {
		return 0, nil
	}
	return e.from.Read(p)
}

func TestImageIsAProperReader(t *testing.T) {
	for _, f := range fixtures {
		want, _, err := decode(t, fixturePath(f.name), source.Options{})
		if err != nil {
			t.Fatal(err)
		}
		image, err := source.Open(t.Context(), fixturePath(f.name), source.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := iotest.TestReader(image, want); err != nil {
			t.Errorf("%s: %v", f.name, err)
		}
		image.Close()
	}
}

func TestClosedImageGivesNothing(t *testing.T) {
	image, err := source.Open(t.Context(), fixturePath("deflated.zip"), source.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := image.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	}
	if n, err := image.Read(make([]byte, 10)); n != 0 || !errors.Is(err, source.ErrClosed) {
		t.Errorf("read after close: %d, %v", n, err)
	}
}

// Whoever waits no longer for a source closes it although a read of it hangs. The race detector watches.
func TestImageIsClosedWhileItsReadHangs(t *testing.T) {
	packed := readFixture(t, "blocks.xz")
	stream, feed := io.Pipe()
	fed := make(chan error, 1)
	go func() { // ends once the half was read
		_, err := feed.Write(packed[:len(packed)/2])
		fed <- err
	}()
	image, err := source.Open(t.Context(), "-", source.Options{Stdin: stream})
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { // ends when the pipe is closed below
		_, err := io.Copy(io.Discard, image)
		ended <- err
	}()
	if err := <-fed; err != nil {
		t.Fatal(err)
	}
	if err := image.Close(); err != nil {
		t.Errorf("close: %v", err)
	}
	if err := feed.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; !errors.Is(err, source.ErrTruncated) && !errors.Is(err, source.ErrClosed) {
		t.Errorf("the hanging read: %v", err)
	}
	if n, err := image.Read(make([]byte, 1)); n != 0 || err == nil {
		t.Errorf("a read after that: %d, %v", n, err)
	}
}

func TestFailingStreamIsNoEnd(t *testing.T) {
	broken := errors.New("the cable broke")
	for _, f := range fixtures {
		packed := readFixture(t, f.name)
		for _, after := range []int{0, 1, 20, len(packed) - 1, len(packed)} {
			stream := io.MultiReader(bytes.NewReader(packed[:after]), iotest.ErrReader(broken))
			if _, _, err := decodeStream(t, stream, source.Options{}); !errors.Is(err, broken) {
				t.Errorf("%s, failing after %d bytes: %v", f.name, after, err)
			}
		}
	}
}
