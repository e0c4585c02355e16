package source_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"strings"
	"testing"

	"cardwright/flash/source"
)

// bothWays decodes an archive as a file and as a stream: the first goes by the directory, the second cannot.
func bothWays(t *testing.T, packed []byte, options source.Options, check func(way string, decoded []byte, err error)) {
	t.Helper()
	decoded, _, err := decode(t, writeFile(t, "archive.zip", packed), options)
	check("file", decoded, err)
	decoded, _, err = decodeBytes(t, packed, options)
	check("stream", decoded, err)
}

func TestZipMemberIsChosen(t *testing.T) {
	packed := readFixture(t, "several.zip")
	for _, c := range []struct {
		member string
		digest string
		want   error
	}{
		{"folder/numbers.img", numbersSHA256, nil},
		{"folder/more.img", "5b30a63a151497b80ccf5f22bf7ec0ecfaaa329cd646e7c2adedc2ecd70569ed", nil}, // sha256sum
		{"folder/", "", source.ErrDirectory},
		{"numbers.img", "", source.ErrNoMember},
		{"", "", source.ErrManyMembers},
	} {
		bothWays(t, packed, source.Options{Member: c.member}, func(way string, decoded []byte, err error) {
			if !errors.Is(err, c.want) || c.want == nil && sumOf(decoded) != c.digest {
				t.Errorf("%q, %s: %v, want %v", c.member, way, err, c.want)
			}
			if errors.Is(c.want, source.ErrManyMembers) || errors.Is(c.want, source.ErrNoMember) {
				for _, name := range []string{"folder/more.img", "folder/numbers.img"} {
					if !strings.Contains(err.Error(), name) {
						t.Errorf("%q, %s: %q does not list %s", c.member, way, err, name)
					}
				}
			}
		})
	}
}

func TestZipRefusesWhatItCannotRead(t *testing.T) {
	for name, want := range map[string]error{"encrypted.zip": source.ErrEncrypted, "method.zip": source.ErrUnsupported} {
		bothWays(t, readFixture(t, name), source.Options{}, func(way string, _ []byte, err error) {
			if !errors.Is(err, want) {
				t.Errorf("%s, %s: %v", name, way, err)
			}
		})
	}
}

// The standard library writes descriptors behind every member, with a magic and 4-byte sizes.
func TestZipDescriptorsOfTheStandardLibrary(t *testing.T) {
	packed := zipOf(t, map[string]string{"a/": "", "a/image.img": strings.Repeat("image", 1000)}, zip.Deflate)
	bothWays(t, packed, source.Options{}, func(way string, decoded []byte, err error) {
		if err != nil || string(decoded) != strings.Repeat("image", 1000) {
			t.Errorf("%s: %v", way, err)
		}
	})
	two := zipOf(t, map[string]string{"a.img": "first", "b.img": "second"}, zip.Deflate)
	bothWays(t, two, source.Options{Member: "b.img"}, func(way string, decoded []byte, err error) {
		if err != nil || string(decoded) != "second" {
			t.Errorf("%s: %q, %v", way, decoded, err)
		}
	})
}

// Nothing in a stream tells where a stored member of unstated size ends; the directory of a file does.
func TestZipStoredWithDescriptor(t *testing.T) {
	packed := zipOf(t, map[string]string{"a.img": "PK\x07\x08 and so on"}, zip.Store)
	bothWays(t, packed, source.Options{}, func(way string, decoded []byte, err error) {
		switch way {
		case "file":
			if err != nil || string(decoded) != "PK\x07\x08 and so on" {
				t.Errorf("file: %q, %v", decoded, err)
			}
		case "stream":
			if !errors.Is(err, source.ErrUnsupported) {
				t.Errorf("stream: %v", err)
			}
		}
	})
}

func TestZipNamesAreOnlyCompared(t *testing.T) {
	for _, name := range []string{"../../etc/image.img", "/image.img", `..\image.img`, "a\x00b\x1b[2J.img"} {
		bothWays(t, zipOf(t, map[string]string{name: "image"}, zip.Deflate), source.Options{}, func(way string, decoded []byte, err error) {
			if err != nil || string(decoded) != "image" {
				t.Errorf("%q, %s: %q, %v", name, way, decoded, err)
			}
		})
	}
	several := zipOf(t, map[string]string{"\x1b[2J": "a", "b": "b"}, zip.Deflate)
	bothWays(t, several, source.Options{}, func(way string, _ []byte, err error) {
		if err == nil || strings.ContainsRune(err.Error(), '\x1b') {
			t.Errorf("%s: %q hands a control character on", way, err)
		}
	})
}

// A directory that tells another story than the headers would let two readers see two images.
func TestZipDirectoryMustAgree(t *testing.T) {
	packed := readFixture(t, "deflated.zip")
	directory := bytes.Index(packed, []byte("PK\x01\x02"))
	end := bytes.Index(packed, []byte("PK\x05\x06"))
	for name, at := range map[string]int{
		"flags": directory + 8, "method": directory + 10, "crc": directory + 16, "packed size": directory + 20,
		"size": directory + 24, "header offset": directory + 42, "name": directory + 46,
		"disk": end + 4, "entries": end + 10, "directory size": end + 12, "directory start": end + 16,
	} {
		damaged := bytes.Clone(packed)
		damaged[at] ^= 1
		if _, _, err := decodeBytes(t, damaged, source.Options{}); !errors.Is(err, source.ErrMalformed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestZipHoldsNoFile(t *testing.T) {
	for name, files := range map[string]map[string]string{"empty": {}, "directory": {"a/": ""}} {
		bothWays(t, zipOf(t, files, zip.Deflate), source.Options{}, func(way string, _ []byte, err error) {
			if !errors.Is(err, source.ErrNoMember) {
				t.Errorf("%s, %s: %v", name, way, err)
			}
		})
	}
	bothWays(t, zipOf(t, map[string]string{"a": ""}, zip.Deflate), source.Options{}, func(way string, _ []byte, err error) {
		if !errors.Is(err, source.ErrEmpty) {
			t.Errorf("empty member, %s: %v", way, err)
		}
	})
}

func zipOf(t testing.TB, files map[string]string, method uint16) []byte {
	t.Helper()
	var packed bytes.Buffer
	archive := zip.NewWriter(&packed)
	for name, content := range files {
		member, err := archive.CreateHeader(&zip.FileHeader{Name: name, Method: method})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := member.Write([]byte(content)); err != nil {
			t.Fatal(err)
		}
	}
	if err := archive.Close(); err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}
