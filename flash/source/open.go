package source

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

const (
	// DefaultMaxWindowBytes is the largest zstd window that is decoded unless Options say otherwise: 128 MiB.
	DefaultMaxWindowBytes = 128 << 20
	// DefaultMemoryBytes is what the blocks of an xz file take that are decoded side by side, unless Options say otherwise.
	DefaultMemoryBytes = 512 << 20
	// MaxDictionaryBytes is the largest LZMA dictionary that is decoded: 256 MiB.
	MaxDictionaryBytes = 256 << 20
)

// Options say how to open a source. The zero value opens a file or URL with the limits above.
type Options struct {
	// Member is the name of the file to take from an archive of several. Empty: the archive must hold just one.
	Member string
	// Raw takes the bytes as they are, even where they look like a container or like nothing known.
	Raw bool
	// Expected is the published digest, from ParseExpected. Zero: one is looked for beside a local file.
	Expected Published
	// MaxWindowBytes caps the window of a zstd frame. Zero: DefaultMaxWindowBytes.
	MaxWindowBytes int64
	// MemoryBytes is how much the blocks of an xz file that are decoded side by side may take together. Zero: DefaultMemoryBytes.
	MemoryBytes int64
	// HTTPClient fetches URLs. Nil: one that obeys the proxy variables of the environment.
	HTTPClient *http.Client
	// Stdin is what the name "-" reads.
	Stdin io.Reader
}

// Open opens the source of that name: a path, "-" for Options.Stdin, or an http or https URL. ctx governs the image until it
// is closed. Where the digest of a local packed file is published, the whole file is checked before Open returns.
// Errors are *Error.
func Open(ctx context.Context, name string, options Options) (*Image, error) {
	if options.MaxWindowBytes < 0 {
		return nil, openError(fmt.Errorf("a window of %d bytes: %w", options.MaxWindowBytes, ErrUnsupported))
	}
	if options.MemoryBytes == 0 {
		options.MemoryBytes = DefaultMemoryBytes
	}
	if options.MaxWindowBytes == 0 {
		options.MaxWindowBytes = DefaultMaxWindowBytes
	}
	origin, err := find(ctx, name, options)
	if err != nil {
		return nil, openError(err)
	}
	image, err := origin.open(ctx, options)
	if err != nil {
		return nil, errors.Join(openError(err), origin.close())
	}
	return image, nil
}

// An origin is where packed bytes come from.
type origin struct {
	name      string // base name
	stream    io.Reader
	sizeBytes int64       // -1 when unknown
	random    io.ReaderAt // the same bytes at any place, for planning; nil for a stream
	published Published
	endless   bool
	file      fs.FileInfo // of a regular file, as it was opened; else nil
	close     func() error
}

// StandardInput is the name that stands for standard input.
const StandardInput = "-"

// IsURL tells whether a source of that name is fetched.
func IsURL(name string) bool {
	return strings.HasPrefix(name, "http://") || strings.HasPrefix(name, "https://")
}

func find(ctx context.Context, name string, options Options) (*origin, error) {
	switch {
	case name == StandardInput:
		return standardInput(options)
	case IsURL(name):
		return fetch(ctx, name, options)
	default:
		return openFile(name, options)
	}
}

// open tells the format and starts the decoder.
func (o *origin) open(ctx context.Context, options Options) (*Image, error) {
	packedDigest, err := o.published.forPacked(o.name)
	if err != nil {
		return nil, err
	}
	if packedDigest != nil && o.random != nil {
		if err := checkWhole(ctx, o, *packedDigest); err != nil {
			return nil, err
		}
	}
	packed := newPackedReader(o.stream, o.sizeBytes, giveUp(ctx))
	image := &Image{
		input: newInput(packed), declared: -1, endless: o.endless, digest: sha256.New(), close: o.close,
		facts: Facts{Name: o.name, PackedBytes: max(o.sizeBytes, 0)}, file: o.file,
	}
	if image.member, err = image.start(o, options); err != nil {
		return nil, image.failed(err)
	}
	if err := image.expect(o.published); err != nil {
		return nil, err
	}
	image.facts.ImageBytes = max(image.declared, 0)
	return image, nil
}

// expect settles which published digests speak of this source.
func (m *Image) expect(published Published) (err error) {
	m.wanted, err = published.wantedOf(m.facts.Name, m.member, m.facts.Format)
	if err == nil && m.wanted.none() {
		m.facts.Expected = Absent
	}
	return err
}

// checkWhole reads the packed file once and compares its digest, so that not one byte of a wrong file is given out.
func checkWhole(ctx context.Context, o *origin, want Sum) error {
	whole := newPackedReader(io.NewSectionReader(o.random, 0, o.sizeBytes), o.sizeBytes, giveUp(ctx))
	if _, err := io.Copy(io.Discard, bufferless{whole}); err != nil {
		return &Error{Op: "check", OffsetBytes: whole.readBytes.Load(), Err: err}
	}
	if err := (wanted{packed: &want, from: o.published.from}).compare(sum(whole.digest), Sum{}); err != nil {
		return &Error{Op: "check", OffsetBytes: o.sizeBytes, Err: err}
	}
	return nil
}

// giveUp tells whether the caller gave up, and why.
func giveUp(ctx context.Context) func() error { return func() error { return context.Cause(ctx) } }

// bufferless hides all but Read.
type bufferless struct{ io.Reader }

// baseName is the last element of a URL's path.
func baseName(urlPath string) string {
	if base := path.Base(urlPath); base != "." && base != "/" {
		return base
	}
	return ""
}
