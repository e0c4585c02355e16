package source

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// A Sum is a SHA-256 digest (FIPS 180-4).
type Sum [sha256.Size]byte

// String gives the digest as 64 lower-case hexadecimal digits.
func (s Sum) String() string { return hex.EncodeToString(s[:]) }

func sum(digest hash.Hash) Sum { return Sum(digest.Sum(nil)) }

// ParseSum reads 64 hexadecimal digits.
func ParseSum(text string) (Sum, bool) {
	raw, err := hex.DecodeString(text)
	if err != nil || len(raw) != sha256.Size {
		return Sum{}, false
	}
	return Sum(raw), true
}

// Published is what was published of a source: the digest of the packed file, of the decoded image, or a checksum file that
// may name either. The zero value says that nothing is known.
type Published struct {
	packed   *Sum
	image    *Sum
	lines    []sumLine
	from     string // the checksum file
	demanded bool   // a checksum file that was asked for must speak of the source
}

// imagePrefix marks a digest of the decoded image.
const imagePrefix = "image:"

// ParseExpected reads what a user gives as published digest: 64 hexadecimal digits for the packed file, "image:" and the
// digits for the decoded image, or the path of a checksum file. A file that holds no digest at all is ErrNoDigest.
func ParseExpected(argument string) (Published, error) {
	if packed, ok := ParseSum(argument); ok {
		return Published{packed: &packed}, nil
	}
	if digits, ok := strings.CutPrefix(argument, imagePrefix); ok {
		image, ok := ParseSum(digits)
		if !ok {
			return Published{}, fmt.Errorf("%w: %q is not %s and 64 hexadecimal digits", ErrNoDigest, argument, imagePrefix)
		}
		return Published{image: &image}, nil
	}
	lines, err := readSums(argument)
	if errors.Is(err, fs.ErrNotExist) {
		return Published{}, fmt.Errorf("%w: %q is neither 64 hexadecimal digits nor a checksum file that is there",
			ErrNoDigest, argument)
	}
	if err != nil {
		return Published{}, err
	}
	if len(lines) == 0 {
		return Published{}, fmt.Errorf("%w: %s holds no SHA-256 digest", ErrNoDigest, argument)
	}
	return Published{lines: lines, from: argument, demanded: true}, nil
}

func (p Published) none() bool { return p.packed == nil && p.image == nil && p.lines == nil }

// besides looks for the checksum files that usually lie beside a download: NAME.sha256, else SHA256SUMS. A list that does not
// speak of the file does not count. One that cannot be read is an error, since it might have spoken against the file, and so
// is a file of the image's own name that does not speak of it.
func besides(name string) (Published, error) {
	own := name + ".sha256"
	for _, candidate := range []string{own, filepath.Join(filepath.Dir(name), "SHA256SUMS")} {
		lines, err := readSums(candidate)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return Published{}, err
		}
		found := Published{lines: lines, from: candidate}
		if found.mentions(filepath.Base(name)) {
			return found, nil
		}
		if candidate == own {
			return Published{}, fmt.Errorf("%w: %s holds no line for it that is understood", ErrNoDigest, own)
		}
	}
	return Published{}, nil
}

// mentions tells whether a line may speak of the source. Of an archive it cannot be told yet, as its members are not known:
// any line may name one.
func (p Published) mentions(name string) bool {
	if strings.EqualFold(path.Ext(name), ".zip") {
		return len(p.lines) > 0
	}
	names := append(imageNames(name, "", ""), name, "")
	return slices.ContainsFunc(p.lines, func(line sumLine) bool { return slices.Contains(names, line.name) })
}

// forPacked gives the digest published for the packed file of that name, nil if there is none. A line without a name is
// meant for the file that the checksum file was given for.
func (p Published) forPacked(name string) (*Sum, error) {
	if p.packed != nil {
		return p.packed, nil
	}
	return p.find([]string{name, ""})
}

// forImage gives the digest published for the decoded image under any of its names, nil if there is none.
func (p Published) forImage(names []string) (*Sum, error) {
	if p.image != nil {
		return p.image, nil
	}
	return p.find(names)
}

// find gives the digest of a name. Two different ones for the same name prove nothing.
func (p Published) find(names []string) (*Sum, error) {
	var found *Sum
	for _, line := range p.lines {
		if !slices.Contains(names, line.name) {
			continue
		}
		if found != nil && *found != line.sum {
			return nil, fmt.Errorf("%w: %s gives two for %q", ErrNoDigest, p.from, line.name)
		}
		found = &line.sum
	}
	return found, nil
}

// imageNames are the names that the decoded image may go by: the archive member's, and the source's without the suffix
// that tells its packing. They serve to find a digest only, never to tell a format or to reach a file.
func imageNames(name, member string, format Format) []string {
	var names []string
	if member != "" {
		names = append(names, path.Base(member))
	}
	extension := path.Ext(name)
	suffixes := []string{".xz", ".gz", ".zst", ".bz2", ".zip"}
	if format != FormatRaw && slices.Contains(suffixes, strings.ToLower(extension)) {
		names = append(names, strings.TrimSuffix(name, extension))
	}
	return names
}

// wanted are the digests that were published for one source.
type wanted struct {
	packed, image *Sum
	from          string // the checksum file; empty where the digest itself was given
}

func (w wanted) none() bool { return w.packed == nil && w.image == nil }

// compare says how the digests differ from those that were published.
func (w wanted) compare(packed, image Sum) error {
	if w.packed != nil && *w.packed != packed {
		return w.mismatch("packed file", packed, *w.packed)
	}
	if w.image != nil && *w.image != image {
		return w.mismatch("image", image, *w.image)
	}
	return nil
}

func (w wanted) mismatch(what string, found, published Sum) error {
	where := ""
	if w.from != "" {
		where = " in " + w.from
	}
	return fmt.Errorf("%w: the %s has SHA-256 %s, published%s is %s", ErrMismatch, what, found, where, published)
}
