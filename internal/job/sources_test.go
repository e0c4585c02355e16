package job_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// What of a flash job reaches a card, in bytes, beside the image's whole blocks after its head. A row of the table adds up by
// hand what its card must have taken, to the byte.
const (
	unopened = -1      // the source is not even opened, so no card is asked for anything
	cleared  = 2 * mib // both ends, once the first block is known
	blanked  = 1 * mib // the head's place again, after a failure
	whole    = cleared + boardBytes
)

// boardBytes is two and a half blocks: the head, one block that lies wholly behind it, and half a block.
const boardBytes = 10 * mib

// labBytes is the size of the cards that the sources are flashed to.
const labBytes = 16 * mib

// boardImage is an MBR with one partition (UEFI 2.11, 5.2.1) and sectors that are told apart by 32 random bytes each, so that
// every packer makes it small and quickly.
func boardImage() []byte {
	image := make([]byte, boardBytes)
	random := rand.NewChaCha8([32]byte{7})
	for at := 512; at < len(image); at += 512 {
		sector := image[at : at+512]
		_, _ = random.Read(sector[:32]) // documented never to fail
		copy(sector[32:], bytes.Repeat([]byte{byte(at >> 9)}, 480))
	}
	binary.LittleEndian.PutUint32(image[440:], 0x0DDBA11)
	entry := image[446:]
	entry[4] = 0x83
	binary.LittleEndian.PutUint32(entry[8:], mib/512)
	binary.LittleEndian.PutUint32(entry[12:], 9*mib/512)
	image[510], image[511] = 0x55, 0xAA
	return image
}

// A badSource is one row: a source, and what becomes of a card that it is flashed to.
type badSource struct {
	name    string
	packed  func() []byte // what a file holds and a stream gives
	options source.Options
	image   []byte // what a sound source puts on the card
	want    outcome
	stream  *outcome // what becomes of the same bytes from a pipe, where nothing can be looked up ahead; nil: the same
	alike   bool     // nothing is looked up ahead in this format, so that a file shows all that a pipe would
	open    func(t *testing.T, do func(t *testing.T, image job.Image, err error))
}

// An outcome is how a row must end: the class of the failure, words of its cause, the bytes of the packed source between which
// the error must place it, and how many bytes the card took.
type outcome struct {
	class    logbook.Class // empty: the card is intact
	words    []string
	from, to int64
	wrote    int64
}

// bad is a source that fails between two places of the packed bytes, both included.
func bad(wrote int64, from, to int, words ...string) outcome {
	return outcome{class: logbook.ClassSource, words: words, from: int64(from), to: int64(to), wrote: wrote}
}

// tooLarge is a source that is known not to fit before anything is written.
func tooLarge(words ...string) outcome {
	return outcome{class: logbook.ClassRefused, words: append(words, "larger than the card"), wrote: 0}
}

// outgrows is a source of unknown length that goes on at the card's end, of which only the head and the blocks up to there came.
func outgrows() outcome {
	return outcome{
		class: logbook.ClassSource, words: []string{"larger than the card", "has 16777216 bytes", "goes on"},
		from: labBytes, to: labBytes, wrote: cleared + 3*block + blanked,
	}
}

// intact is a source that is as good as it can be told to be.
func intact() outcome { return outcome{wrote: whole} }

// TestBadSources walks a table of sources that are bad, and of some that only look so. Every row goes all the way from the
// packed bytes to a card in memory, from a file and through a pipe.
func TestBadSources(t *testing.T) {
	image := boardImage()
	rows := slices.Concat(
		gzipSources(t, image), xzSources(image), xzStreamSources(t, image), zstdSources(t, image), bzip2Sources(image),
		zipSources(t, image), zipLies(t, image), rawSources(image), publishedSources(t, image), fileSources(image),
		urlSources(image), changingSources(image),
	)
	names, tried := map[string]bool{}, 0
	for i, row := range rows {
		if names[row.name] {
			t.Errorf("two rows are named %q", row.name)
		}
		names[row.name] = true
		if testing.Short() && i%3 != 0 {
			continue
		}
		if row.image == nil {
			row.image = image
		}
		tried++
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			row.walk(t)
		})
	}
	t.Logf("bad sources: %d cases", tried)
	if len(names) < 230 {
		t.Errorf("only %d cases", len(names))
	}
}

// walk flashes the source from a file and through a pipe, or in its own way.
func (b *badSource) walk(t *testing.T) {
	if b.open != nil {
		b.open(t, func(t *testing.T, image job.Image, err error) {
			t.Helper()
			b.flash(t, image, err, b.want)
		})
		return
	}
	packed := b.packed()
	name := filepath.Join(t.TempDir(), "board")
	if err := os.WriteFile(name, packed, 0o600); err != nil {
		t.Fatal(err)
	}
	ofStream := b.want
	if b.stream != nil {
		ofStream = *b.stream
	}
	t.Run("file", func(t *testing.T) { openAnd(t, name, b.options, b.want, b.flash) })
	if b.alike {
		return
	}
	t.Run("stream", func(t *testing.T) {
		options := b.options
		options.Stdin = struct{ io.Reader }{bytes.NewReader(packed)} // which can neither seek nor tell its length
		openAnd(t, "-", options, ofStream, b.flash)
	})
}

// openAnd opens a source, hands it on and closes it.
func openAnd(t *testing.T, name string, options source.Options, want outcome,
	do func(t *testing.T, image job.Image, err error, want outcome),
) {
	t.Helper()
	image, err := source.Open(t.Context(), name, options)
	if err != nil {
		do(t, nil, err, want)
		return
	}
	defer image.Close()
	do(t, image, nil, want)
}

// flash puts an image on a card, and holds the card against what the row says.
func (b *badSource) flash(t *testing.T, image job.Image, err error, want outcome) {
	t.Helper()
	b.flashWith(t.Context(), t, image, err, want)
}

func (b *badSource) flashWith(ctx context.Context, t *testing.T, image job.Image, err error, want outcome) {
	t.Helper()
	if err != nil {
		unopenedAs(t, err, want)
		return
	}
	if want.wrote == unopened {
		t.Error("the source was opened")
		return
	}
	to, card := target(t, cardlab.Traits{SizeBytes: labBytes})
	run := job.Flash(ctx, image, []job.Target{to}, job.Options{}).Cards[0]
	if want.class == "" {
		if run.Verdict != logbook.Intact || run.Error != nil {
			t.Errorf("verdict %s, error %+v", run.Verdict, run.Error)
		}
		if !bytes.Equal(card.Truth().Read(0, len(b.image)), b.image) {
			t.Error("the card does not hold the image")
		}
	} else {
		failedAs(t, run, want)
	}
	tookOnly(t, card, want)
}

// unopenedAs compares why a source was not opened. The program sorts every such error under the source.
func unopenedAs(t *testing.T, err error, want outcome) {
	t.Helper()
	typed, ok := errors.AsType[*source.Error](err)
	if !ok || errors.Is(err, context.Canceled) || want.class != logbook.ClassSource || want.wrote != unopened {
		t.Fatalf("it was not opened: %T: %v", err, err)
	}
	placedAs(t, typed.OffsetBytes, err.Error(), want)
	if typed.OffsetBytes > 0 && !strings.Contains(err.Error(), fmt.Sprintf("packed byte %d", typed.OffsetBytes)) {
		t.Errorf("%q does not tell byte %d", err, typed.OffsetBytes)
	}
}

// failedAs compares verdict, class, cause and place of a run.
func failedAs(t *testing.T, run logbook.Run, want outcome) {
	t.Helper()
	if run.Error == nil || run.Error.Class != want.class {
		t.Fatalf("verdict %s, error %+v, want class %s", run.Verdict, run.Error, want.class)
	}
	verdict := logbook.Unfinished
	if want.class == logbook.ClassRefused {
		verdict = logbook.Refused
	}
	if run.Verdict != verdict {
		t.Errorf("verdict %s, want %s", run.Verdict, verdict)
	}
	placedAs(t, run.Error.OffsetBytes, run.Error.Cause, want)
	ofSource := run.Error.Step == flash.StepSource
	if place := fmt.Sprintf("packed byte %d", run.Error.OffsetBytes); ofSource && !strings.Contains(run.Error.Cause, place) {
		t.Errorf("%q does not tell %s", run.Error.Cause, place)
	}
}

// placedAs wants the cause in words, and a place.
func placedAs(t *testing.T, offsetBytes int64, cause string, want outcome) {
	t.Helper()
	t.Logf("at %d: %s", offsetBytes, cause)
	for _, word := range want.words {
		if !strings.Contains(cause, word) {
			t.Errorf("%q does not say %q", cause, word)
		}
	}
	if len(want.words) == 0 {
		t.Error("the row demands no word of the cause")
	}
	if offsetBytes < want.from || offsetBytes > want.to {
		t.Errorf("%q lies at %d, want it between %d and %d", cause, offsetBytes, want.from, want.to)
	}
}

// tookOnly compares all that a card took with what the row adds up: both ends, then whole blocks behind the head in their
// order, and of the head nothing unless the card is intact.
func tookOnly(t *testing.T, card *cardlab.Card, want outcome) {
	t.Helper()
	if got := card.Counts().WrittenBytes; got != want.wrote {
		t.Errorf("the card took %d bytes, want %d", got, want.wrote)
	}
	var spans []cardlab.Span
	switch bodyBytes := want.wrote - cleared - blanked; {
	case want.class == "":
		spans = []cardlab.Span{{LengthBytes: want.wrote - cleared}, {OffsetBytes: labBytes - mib, LengthBytes: mib}}
	case want.wrote > 0 && bodyBytes == 0:
		spans = []cardlab.Span{{LengthBytes: mib}, {OffsetBytes: labBytes - mib, LengthBytes: mib}}
	case want.wrote > 0 && block+bodyBytes == labBytes:
		spans = []cardlab.Span{{LengthBytes: mib}, {OffsetBytes: block, LengthBytes: bodyBytes}}
	case want.wrote > 0:
		spans = []cardlab.Span{
			{LengthBytes: mib}, {OffsetBytes: block, LengthBytes: bodyBytes}, {OffsetBytes: labBytes - mib, LengthBytes: mib},
		}
	}
	if diff := cmp.Diff(spans, card.Truth().Written()); diff != "" {
		t.Errorf("where the card was written (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(spans, card.Truth().Asked()); diff != "" {
		t.Errorf("where the card was to be written (-want +got):\n%s", diff)
	}
	if want.class != "" && want.wrote > 0 && !headIsClear(card) {
		t.Error("the card kept a head")
	}
}

// edited gives a copy of packed bytes with some replaced.
func edited(packed []byte, at int, with ...byte) func() []byte {
	return func() []byte {
		changed := bytes.Clone(packed)
		copy(changed[at:at+len(with)], with)
		return changed
	}
}

// flipped gives a copy of packed bytes with all bits of one byte inverted.
func flipped(packed []byte, at int) func() []byte { return edited(packed, at, ^packed[at]) }

// cutTo gives the first bytes alone.
func cutTo(packed []byte, length int) func() []byte { return func() []byte { return packed[:length] } }

// joined gives parts one behind the other.
func joined(parts ...[]byte) func() []byte { return func() []byte { return bytes.Join(parts, nil) } }

// little32 is a number in four bytes, the lowest first.
func little32(n uint32) []byte { return binary.LittleEndian.AppendUint32(nil, n) }
