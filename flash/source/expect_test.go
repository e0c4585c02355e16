package source_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/flash/source"
)

const otherSHA256 = abcSHA256 // a sound digest of something else

// place puts a fixture and files beside it into a folder of its own.
func place(t *testing.T, fixture, name string, beside map[string]string) string {
	t.Helper()
	folder := t.TempDir()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, readFixture(t, fixture), 0o600); err != nil {
		t.Fatal(err)
	}
	for other, content := range beside {
		if err := os.WriteFile(filepath.Join(folder, other), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

func TestDigestBesideTheFile(t *testing.T) {
	packed := sumOf(readFixture(t, "deflated.zip"))
	for _, c := range []struct {
		name   string
		beside map[string]string
		want   error
		told   source.Expected
	}{
		{"nothing", nil, nil, source.Absent},
		{"plain", map[string]string{"b.zip.sha256": packed + "  b.zip\n"}, nil, source.Matched},
		{"digits alone", map[string]string{"b.zip.sha256": packed + "\n"}, nil, source.Matched},
		{"upper case, binary, CRLF", map[string]string{"SHA256SUMS": strings.ToUpper(packed) + " *b.zip\r\n"}, nil, source.Matched},
		{"tagged", map[string]string{"SHA256SUMS": "SHA256 (b.zip) = " + packed + "\n"}, nil, source.Matched},
		{"as OpenSSL writes it", map[string]string{"b.zip.sha256": "SHA256(b.zip)= " + packed + "\n"}, nil, source.Matched},
		{"as OpenSSL 3 writes it", map[string]string{"b.zip.sha256": "SHA2-256(b.zip)= " + packed + "\n"}, nil, source.Matched},
		{"one blank", map[string]string{"b.zip.sha256": packed + " b.zip\n"}, nil, source.Matched},
		{"a tab", map[string]string{"b.zip.sha256": packed + "\tb.zip\n"}, nil, source.Matched},
		{"blanks and a byte-order mark in front", map[string]string{"b.zip.sha256": "\ufeff  " + packed + "  b.zip\n"}, nil, source.Matched},
		{"a path in front", map[string]string{"SHA256SUMS": packed + "  ./out/b.zip\n"}, nil, source.Matched},
		{"among others", map[string]string{"SHA256SUMS": "# images\n\n" + otherSHA256 + "  a.zip\nMD5 (b.zip) = 00\n" + packed + "  b.zip\n"}, nil, source.Matched},
		{"member", map[string]string{"SHA256SUMS": numbersSHA256 + "  numbers.img\n"}, nil, source.Matched},
		{"without suffix", map[string]string{"SHA256SUMS": numbersSHA256 + "  b\n"}, nil, source.Matched},
		{"both", map[string]string{"SHA256SUMS": numbersSHA256 + "  numbers.img\n" + packed + "  b.zip\n"}, nil, source.Matched},
		{"another file", map[string]string{"SHA256SUMS": otherSHA256 + "  a.zip\n"}, nil, source.Absent},
		{"wrong packed", map[string]string{"b.zip.sha256": otherSHA256 + "  b.zip\n"}, source.ErrMismatch, ""},
		{"wrong member", map[string]string{"SHA256SUMS": otherSHA256 + "  numbers.img\n"}, source.ErrMismatch, source.Mismatched},
		{"packed right, member wrong", map[string]string{"SHA256SUMS": otherSHA256 + "  numbers.img\n" + packed + "  b.zip\n"}, source.ErrMismatch, source.Mismatched},
		{"wrong, with one blank", map[string]string{"b.zip.sha256": otherSHA256 + " b.zip\n"}, source.ErrMismatch, ""},
		{"its own, not understood", map[string]string{"b.zip.sha256": "b.zip: " + otherSHA256 + "\n"}, source.ErrNoDigest, ""},
		{"two digests", map[string]string{"SHA256SUMS": otherSHA256 + "  b.zip\n" + packed + "  b.zip\n"}, source.ErrNoDigest, ""},
	} {
		_, facts, err := decode(t, place(t, "deflated.zip", "b.zip", c.beside), source.Options{})
		if !errors.Is(err, c.want) || facts.Expected != c.told {
			t.Errorf("%s: %q, %v", c.name, facts.Expected, err)
		}
	}
}

func TestDigestFileOfAnotherNameIsNotPassedOver(t *testing.T) {
	path := place(t, "check-crc32.xz", "a.xz", map[string]string{"a.xz.sha256": otherSHA256 + "  b.xz\n"})
	if _, _, err := decode(t, path, source.Options{}); !errors.Is(err, source.ErrNoDigest) {
		t.Errorf("its own file speaks of another: %v", err)
	}
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := source.ParseExpected(pipe); !errors.Is(err, source.ErrNoDigest) { // and does not wait for somebody to write to it
		t.Errorf("a pipe: %v", err)
	}
}

func TestMemberIsWantedOfArchivesAlone(t *testing.T) {
	if _, _, err := decode(t, fixturePath("check-crc32.xz"), source.Options{Member: "a"}); !errors.Is(err, source.ErrNoMember) {
		t.Errorf("a member of an xz file: %v", err)
	}
}

// coreutils 9.1 writes a name with a backslash or a line break this way: `sha256sum` of a file named a\b.xz.
func TestEscapedNameInChecksumFile(t *testing.T) {
	packed := sumOf(readFixture(t, "check-crc32.xz"))
	path := place(t, "check-crc32.xz", "a\\b\n.xz", map[string]string{"SHA256SUMS": `\` + packed + `  a\\b\n.xz` + "\n"})
	if _, facts, err := decode(t, path, source.Options{}); err != nil || facts.Expected != source.Matched {
		t.Errorf("%q, %v", facts.Expected, err)
	}
}

func TestWrongPackedFileGivesNoByte(t *testing.T) {
	expected, err := source.ParseExpected(otherSHA256)
	if err != nil {
		t.Fatal(err)
	}
	path := fixturePath("check-crc32.xz")
	if _, err := source.Open(t.Context(), path, source.Options{Expected: expected}); !errors.Is(err, source.ErrMismatch) {
		t.Errorf("a file: %v", err)
	}
	// A stream is read once: it gives its bytes, but never io.EOF.
	_, facts, err := decodeBytes(t, readFixture(t, "check-crc32.xz"), source.Options{Expected: expected})
	if !errors.Is(err, source.ErrMismatch) || facts.Expected != source.Mismatched {
		t.Errorf("a stream: %q, %v", facts.Expected, err)
	}
}

func TestExpectedArguments(t *testing.T) {
	packed := sumOf(readFixture(t, "sized.zst"))
	file := writeFile(t, "list", []byte(packed+"  sized.zst\n"+packed+"  -\n"))
	other := writeFile(t, "list", []byte(packed+"  other.zst\n"))
	for _, c := range []struct {
		argument string
		want     error
	}{
		{packed, nil},
		{strings.ToUpper(packed), nil},
		{"image:" + numbersSHA256, nil},
		{file, nil},
		{"image:" + packed, source.ErrMismatch},
		{numbersSHA256, source.ErrMismatch},
		{other, source.ErrNoDigest},
	} {
		expected, err := source.ParseExpected(c.argument)
		if err != nil {
			t.Errorf("%s: %v", c.argument, err)
			continue
		}
		options := source.Options{Expected: expected}
		if _, facts, err := decode(t, fixturePath("sized.zst"), options); !errors.Is(err, c.want) || (err == nil) != (facts.Expected == source.Matched) {
			t.Errorf("%s, file: %q, %v, want %v", c.argument, facts.Expected, err, c.want)
		}
		if _, facts, err := decodeBytes(t, readFixture(t, "sized.zst"), options); !errors.Is(err, c.want) || (err == nil) != (facts.Expected == source.Matched) {
			t.Errorf("%s, stream: %q, %v, want %v", c.argument, facts.Expected, err, c.want)
		}
	}
}

func TestUnusableExpectedArguments(t *testing.T) {
	empty := writeFile(t, "empty", []byte("# nothing\n"+numbersSHA256[1:]+"  short\n"))
	for argument, want := range map[string]error{
		"image:abc": source.ErrNoDigest, "image:": source.ErrNoDigest, empty: source.ErrNoDigest,
		numbersSHA256[:63]: source.ErrNoDigest, numbersSHA256 + "0": source.ErrNoDigest, "": source.ErrNoDigest,
	} {
		if _, err := source.ParseExpected(argument); !errors.Is(err, want) {
			t.Errorf("%q: %v, want %v", argument, err, want)
		}
	}
}

func TestUnreadableChecksumFileIsAnError(t *testing.T) {
	path := place(t, "sized.zst", "b.zst", nil)
	if err := os.Mkdir(path+".sha256", 0o700); err != nil { // reading a directory fails, even for root
		t.Fatal(err)
	}
	if _, err := source.Open(t.Context(), path, source.Options{}); err == nil {
		t.Error("a checksum file that cannot be read was passed over")
	}
}

func TestCancelledContextEndsReading(t *testing.T) {
	cause := errors.New("the operator had enough")
	ctx, cancel := context.WithCancelCause(t.Context())
	image, err := source.Open(ctx, writeFile(t, "disk.img", diskOf(2<<20)), source.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer image.Close()
	cancel(cause)
	// What is in memory may still come, the rest may not.
	if _, err := io.ReadAll(image); !errors.Is(err, cause) {
		t.Errorf("reading on: %v", err)
	}
	expected, err := source.ParseExpected(sumOf(readFixture(t, "sized.zst")))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := source.Open(ctx, fixturePath("sized.zst"), source.Options{Expected: expected}); !errors.Is(err, cause) {
		t.Errorf("checking the whole file: %v", err)
	}
}

func TestSourcesThatCannotBeOpened(t *testing.T) {
	for name, want := range map[string]error{
		"testdata": source.ErrDirectory, "testdata/none.xz": os.ErrNotExist, "": os.ErrNotExist, "-": source.ErrUnsupported,
	} {
		if _, err := source.Open(t.Context(), name, source.Options{}); !errors.Is(err, want) {
			t.Errorf("%q: %v, want %v", name, err, want)
		}
	}
}
