package source_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"cardwright/flash/source"
)

// What was read once is compared with what is published later as if it were read again.
func TestCompareSaysWhatReadingWouldSay(t *testing.T) {
	folder := t.TempDir()
	name := filepath.Join(folder, "board.img.gz")
	var packed bytes.Buffer
	writer := gzip.NewWriter(&packed)
	if _, err := writer.Write(bytes.Repeat([]byte("board"), 1000)); err != nil {
		t.Fatal(err)
	}
	if err := writer.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, packed.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	known, err := readOnce(t, name, source.Options{})
	if err != nil || known.Expected != source.Absent {
		t.Fatalf("%+v, %v", known, err)
	}
	other := "0000000000000000000000000000000000000000000000000000000000000000"
	for expected, want := range map[string]struct {
		expected source.Expected
		err      error
	}{
		"":                           {source.Absent, nil},
		known.PackedSHA256:           {source.Matched, nil},
		"image:" + known.ImageSHA256: {source.Matched, nil},
		other:                        {source.Mismatched, source.ErrMismatch},
		"image:" + other:             {source.Mismatched, source.ErrMismatch},
		sums(t, other+"  else.img"):  {"", source.ErrNoDigest},
		sums(t, known.ImageSHA256+"  board.img\n"+other+"  else.img"): {source.Matched, nil},
	} {
		var o source.Options
		if expected != "" {
			if o.Expected, err = source.ParseExpected(expected); err != nil {
				t.Fatal(err)
			}
		}
		asked := known
		asked.Name, asked.Expected = "elsewhere.gz", ""
		got, gotErr := source.Compare(name, o, asked, "")
		if !errors.Is(gotErr, want.err) || got.Expected != want.expected {
			t.Errorf("%q: %+v, %v; want %+v", expected, got, gotErr, want)
		}
		if _, typed := errors.AsType[*source.Error](gotErr); gotErr != nil && !typed {
			t.Errorf("%q: %T", expected, gotErr)
		}
		read, readErr := readOnce(t, name, o)
		if !errors.Is(readErr, want.err) || readErr == nil && read != got {
			t.Errorf("%q: reading says %+v, %v; comparing said %+v, %v", expected, read, readErr, got, gotErr)
		}
	}
}

// The digest of a packed source is known without opening it where it is given, or lies beside a file.
func TestPublishedSumIsFoundWithoutOpening(t *testing.T) {
	digest := "0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"
	given, err := source.ParseExpected(digest)
	if err != nil {
		t.Fatal(err)
	}
	listed, err := source.ParseExpected(sums(t, digest+"  board.img.xz"))
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	beside := filepath.Join(folder, "board.img.xz")
	for path, content := range map[string]string{beside: "x", beside + ".sha256": digest + "  board.img.xz\n"} {
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct {
		name  string
		o     source.Options
		known bool
	}{
		{"https://board.example/board.img.xz", source.Options{}, false},
		{"https://board.example/board.img.xz?at=1", source.Options{Expected: given}, true},
		{"https://board.example/board.img.xz", source.Options{Expected: listed}, true},
		{"https://board.example/other.img.xz", source.Options{Expected: listed}, false},
		{beside, source.Options{}, true},
		{filepath.Join(folder, "missing.img"), source.Options{}, false},
		{"-", source.Options{}, false},
	} {
		sum, known, err := source.PublishedSum(c.name, c.o)
		if err != nil || known != c.known || known && sum.String() != digest {
			t.Errorf("%s: %s, %v, %v; want it known: %v", c.name, sum, known, err, c.known)
		}
	}
}

// sums writes a checksum file.
func sums(t *testing.T, lines string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sums")
	if err := os.WriteFile(path, []byte(lines+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// readOnce reads an image to its end.
func readOnce(t *testing.T, name string, o source.Options) (source.Facts, error) {
	t.Helper()
	image, err := source.Open(t.Context(), name, o)
	if err != nil {
		return source.Facts{}, err
	}
	defer image.Close()
	_, err = io.Copy(io.Discard, struct{ io.Reader }{image})
	return image.Facts(), err
}
