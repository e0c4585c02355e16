package source

import (
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
)

// PublishedSum gives the digest that was published for the packed source of that name, without opening it: the one that the
// options hold or, of a local file, the one beside it. known is false where none speaks of the packed source. Errors are *Error.
func PublishedSum(name string, options Options) (packed Sum, known bool, err error) {
	base, published, err := publishedFor(name, options)
	if err != nil {
		return Sum{}, false, openError(err)
	}
	found, err := published.forPacked(base)
	if err != nil || found == nil {
		return Sum{}, false, openErrorOrNil(err)
	}
	return *found, true, nil
}

// Compare holds what is known of an image that was read to its end before against what is published of the source of that
// name now, as if it had been read under that name and with these options. member is the member of the archive that the image
// is. It gives the facts with the name and Expected as they are now; the error is an *Error as Open and Read would give it.
func Compare(name string, options Options, known Facts, member string) (Facts, error) {
	base, published, err := publishedFor(name, options)
	if err != nil {
		return known, openError(err)
	}
	known.Name = base
	packed, packedOK := ParseSum(known.PackedSHA256)
	image, imageOK := ParseSum(known.ImageSHA256)
	if !packedOK || !imageOK {
		return known, openError(fmt.Errorf("%w: the image was not read to its end", ErrNoDigest))
	}
	want, err := published.wantedOf(base, member, known.Format)
	if err != nil {
		return known, openError(err)
	}
	if want.none() {
		known.Expected = Absent
		return known, nil
	}
	if err := want.compare(packed, image); err != nil {
		known.Expected = Mismatched
		return known, &Error{Op: "check", OffsetBytes: known.PackedBytes, Err: err}
	}
	known.Expected = Matched
	return known, nil
}

// publishedFor gives a source's base name and what was published of it, where the source need not be opened for that.
func publishedFor(name string, options Options) (base string, published Published, err error) {
	switch {
	case name == StandardInput:
		return name, options.Expected, nil
	case IsURL(name):
		address, err := url.Parse(name)
		if err != nil {
			return "", Published{}, err
		}
		return baseName(address.Path), options.Expected, nil
	}
	published, err = publishedForFile(name, options)
	return filepath.Base(name), published, err
}

// wantedOf settles which digests speak of a source, or of the member of it that the image is.
func (p Published) wantedOf(name, member string, format Format) (wanted, error) {
	packed, packedErr := p.forPacked(name)
	image, imageErr := p.forImage(imageNames(name, member, format))
	want := wanted{packed: packed, image: image, from: p.from}
	if err := errors.Join(packedErr, imageErr); err != nil {
		return want, err
	}
	if want.none() && p.demanded {
		return want, fmt.Errorf("%w: %s has no line for %q", ErrNoDigest, p.from, name)
	}
	return want, nil
}

// openErrorOrNil is openError, but of no error.
func openErrorOrNil(cause error) error {
	if cause == nil {
		return nil
	}
	return openError(cause)
}
