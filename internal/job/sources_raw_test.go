package job_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash/source"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// rawSources are sources that are packed in nothing that is known.
func rawSources(image []byte) []badSource {
	const late = cleared + block + blanked // wrote
	text := bytes.Repeat([]byte("Flash me onto a card, please.\n"), 512)
	page := []byte("<!DOCTYPE html>\n<html><body><h1>404 Not Found</h1></body></html>\n")
	likeGzip, likeXZ := bytes.Clone(image), bytes.Clone(image)
	copy(likeGzip, "\x1f\x8b")
	copy(likeXZ, "\xfd7zXZ\x00")
	unknown := bad(unopened, 0, 0, "unknown format", "no container, partition table or file system")
	return []badSource{
		{name: "sound raw image", packed: joined(image), want: intact()},
		{name: "empty file", packed: joined(), want: bad(unopened, 0, 0, "the image is empty")},
		{name: "text renamed to an image", packed: joined(text), want: unknown},
		{name: "web page instead of an image", packed: joined(page), want: bad(unopened, 0, 0, "unknown format")},
		{name: "archive of an unknown kind", packed: joined([]byte("!<arch>\n"), make([]byte, 8*mib-8)), want: unknown},
		{name: "zeros alone", packed: joined(make([]byte, 8*mib)), want: unknown},
		{
			name: "image whose length is no multiple of a sector", packed: joined(image, []byte("odd")),
			want:   bad(unopened, 0, 0, "unknown format", "whole number of 512-byte sectors", "10485763 bytes"),
			stream: new(bad(late, boardBytes+3, boardBytes+3, "whole number of 512-byte sectors", "10485763 bytes")),
		},
		{
			name: "odd bytes that are asked for as they are", packed: joined(image, []byte("odd")), options: source.Options{Raw: true},
			want: outcome{wrote: whole + 512}, // whole sectors are written
		},
		{
			name: "image that begins like a gzip file", packed: joined(likeGzip),
			want: bad(0, 0, 512, "malformed", "gzip member header"),
		},
		{
			name: "image that begins like a gzip file and is asked for as it is", packed: joined(likeGzip), image: likeGzip,
			options: source.Options{Raw: true}, want: intact(),
		},
		{name: "image that begins like an xz file", packed: joined(likeXZ), want: bad(0, 0, 0, "checksum", "stream header")},
		{
			name: "image that is larger than the card", packed: joined(image, image),
			want: tooLarge("needs 20971520 bytes"), stream: new(outgrows()),
		},
		{
			name: "image with a member asked of it", packed: joined(image), options: source.Options{Member: "board.img"},
			want: bad(unopened, 0, 0, "no such member", "it is no archive"),
		},
	}
}

func sumOf(content []byte) string {
	digest := sha256.Sum256(content)
	return hex.EncodeToString(digest[:])
}

// expected is a published digest as an operator gives it.
func expected(t *testing.T, argument string) source.Options {
	t.Helper()
	published, err := source.ParseExpected(argument)
	if err != nil {
		t.Fatal(err)
	}
	return source.Options{Expected: published}
}

// publishedSources are sound images, and what was published of them.
func publishedSources(t *testing.T, image []byte) []badSource {
	t.Helper()
	g := gzipOf(t, image)
	end := len(g.packed)
	wrong := strings.Repeat("5eed", 16)
	const late = cleared + block + blanked // wrote
	return []badSource{
		{name: "image with the published digest", packed: joined(g.packed), options: expected(t, sumOf(g.packed)), want: intact()},
		{
			// A file is read once beforehand, so that not a byte of another one is written. A stream cannot be.
			name: "file with another digest than published", packed: joined(g.packed), options: expected(t, wrong),
			want:   bad(unopened, end, end, "digest differs", "packed file has SHA-256 "+sumOf(g.packed), wrong),
			stream: new(bad(late, end, end, "digest differs", "packed file has SHA-256 "+sumOf(g.packed), wrong)),
		},
		{
			name: "image with another digest than published", packed: joined(g.packed), options: expected(t, "image:"+wrong),
			want: bad(late, end, end, "digest differs", "image has SHA-256 "+sumOf(image), wrong),
		},
		besideAnother("checksum file that does not match", image, wrong+"  board.img\n",
			bad(unopened, boardBytes, boardBytes, "digest differs", "published in", "board.img.sha256 is "+wrong)),
		besideAnother("checksum file that matches", image, sumOf(image)+"  board.img\n", intact()),
		besideAnother("checksum file of another image", image, wrong+"  orchard.img\n",
			bad(unopened, 0, 0, "no digest", "board.img.sha256 holds no line")),
		besideAnother("checksum file of two minds", image, wrong+"  board.img\n"+sumOf(image)+"  board.img\n",
			bad(unopened, 0, 0, "no digest", `gives two for "board.img"`)),
		besideAnother("checksum file that is a web page", image, "<html>Not here.</html>\n",
			bad(unopened, 0, 0, "no digest", "board.img.sha256 holds no line")),
	}
}

// besideAnother is an image with a checksum file beside it.
func besideAnother(name string, image []byte, lines string, want outcome) badSource {
	return ofFile(name, want, func(t *testing.T, path string) {
		t.Helper()
		keep(t, path, image)
		keep(t, path+".sha256", []byte(lines))
	}, nil)
}

func keep(t *testing.T, path string, content []byte) {
	t.Helper()
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
}

// ofFile is a file made by lay, with something that happens to it once more than half of it was read.
func ofFile(name string, want outcome, lay func(t *testing.T, path string), happens func(path string) error) badSource {
	return badSource{name: name, want: want, open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
		path := filepath.Join(t.TempDir(), "board.img")
		lay(t, path)
		image, err := source.Open(t.Context(), path, source.Options{})
		if err != nil {
			do(t, nil, err)
			return
		}
		defer image.Close()
		if happens == nil {
			do(t, image, nil)
			return
		}
		changing := &changingImage{Image: image, happens: func() error { return happens(path) }}
		do(t, changing, nil)
		if !changing.happened || changing.err != nil {
			t.Errorf("it happened: %v, %v", changing.happened, changing.err)
		}
	}}
}

// A changingImage does something to its source after 5 MiB.
type changingImage struct {
	*source.Image
	happens   func() error
	happened  bool
	err       error
	readBytes int64
}

// Read is used by one goroutine, which has ended when the job has.
func (c *changingImage) Read(p []byte) (int, error) {
	if c.readBytes >= 5*mib && !c.happened {
		c.happened, c.err = true, c.happens()
	}
	n, err := c.Image.Read(p[:min(len(p), mib)])
	c.readBytes += int64(n)
	return n, err
}

// fileSources are files that are no images, or do not stay what they are, and pipes.
func fileSources(image []byte) []badSource {
	const late = cleared + block + blanked // wrote
	lay := func(t *testing.T, path string) { t.Helper(); keep(t, path, image) }
	return []badSource{
		ofFile("file that is not there", bad(unopened, 0, 0, "board.img", "no such file"), func(*testing.T, string) {}, nil),
		ofFile("folder", bad(unopened, 0, 0, "board.img", "it is a directory"), func(t *testing.T, path string) {
			t.Helper()
			if err := os.Mkdir(path, 0o700); err != nil {
				t.Fatal(err)
			}
		}, nil),
		ofFile("file that is cut short while it is read",
			bad(late, 9*mib, 9*mib, "ends too early", "9437184 of 10485760 bytes came"), lay,
			func(path string) error { return os.Truncate(path, 9*mib) }),
		ofFile("file that grows while it is read",
			bad(late, 10*mib, 10*mib, "changed while it was read", "more than the 10485760 bytes"), lay,
			func(path string) error { return os.Truncate(path, 11*mib) }),
		{
			name: "pipe that fails", want: bad(cleared+blanked, 7*mib, 7*mib, "the cable broke"),
			open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
				broken := io.MultiReader(bytes.NewReader(image[:7*mib]), failing{})
				opened, err := source.Open(t.Context(), "-", source.Options{Stdin: broken})
				do(t, opened, err)
			},
		},
		interruptedPipe(image),
	}
}

// A failing reader gives nothing but an error.
type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, fmt.Errorf("the cable broke") }

// interruptedPipe goes silent behind the first two blocks, until the operator has had enough.
func interruptedPipe(image []byte) badSource {
	b := badSource{name: "pipe that nobody fills any more, until it is interrupted", image: image}
	b.want = outcome{
		class: logbook.ClassInterrupted, words: []string{"canceled"}, from: 8 * mib, to: 8 * mib, wrote: cleared + block + blanked,
	}
	b.open = func(t *testing.T, _ func(*testing.T, job.Image, error)) {
		synctest.Test(t, func(t *testing.T) {
			pipe, feed := io.Pipe()
			defer feed.Close()
			go func() { // ends when the pipe took two blocks
				_, _ = feed.Write(image[:2*block]) // what did not arrive is missed on the card
			}()
			opened, err := source.Open(t.Context(), "-", source.Options{Stdin: pipe})
			if err != nil {
				t.Fatal(err)
			}
			defer opened.Close()
			ctx, cancel := context.WithCancel(t.Context())
			defer time.AfterFunc(time.Minute, cancel).Stop()
			b.flashWith(ctx, t, opened, nil, b.want)
		})
	}
	return b
}
