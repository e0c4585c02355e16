package capacity_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// stopAt makes a context that ends when the card begins an operation.
func stopAt(t *testing.T, card *cardlab.Card, operations int) context.Context {
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	first := card.Counts().Operations
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Number-first == operations {
			cancel()
		}
		return cardlab.FaultNone
	})
	return ctx
}

// stateIn gives the path of the one state in a folder, "" where there is none.
func stateIn(t *testing.T, folder string) string {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil || len(paths) > 1 {
		t.Fatalf("files %v, %v", paths, err)
	}
	return fmt.Sprint(slices.Concat(paths, []string{""})[0])
}

// TestFullGoesOnWhereItWas interrupts checks of every kind of card at one operation after the other, of cards that take many at some of
// them. They come to the same, and write no byte more than without.
func TestFullGoesOnWhereItWas(t *testing.T) {
	for i, traits := range walkedCards() {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			t.Parallel()
			undisturbed := newLabCard(t, traits)
			want := checkFull(t, undisturbed, capacity.Options{})
			begin, step := 0, 1
			if undisturbed.Counts().Operations > manyOperations {
				begin, step = rand.IntN(walkedStep), walkedStep
			}
			t.Logf("each %d from operation %d on", step, begin)
			for operation, stopped := begin, true; stopped; operation += step {
				card := newLabCard(t, traits)
				o := capacity.Options{Folder: t.TempDir(), Card: capacity.Mark{Node: "sdx", SizeBytes: traits.SizeBytes}}
				first, err := capacity.Full(stopAt(t, card, operation), card, o)
				if stopped = err != nil; !stopped {
					expectVerdict(t, first, want.Verdict, *want.TrueBytes)
					continue
				}
				if !errors.Is(err, context.Canceled) || first.Verdict != "" || stateIn(t, o.Folder) == "" {
					t.Fatalf("operation %d: got %+v and %v", operation, first, err)
				}
				got := checkFull(t, card, o)
				expectVerdict(t, got, want.Verdict, *want.TrueBytes)
				expectRanges(t, got, want.BadRanges...)
				expectNothingTwice(t, traits, got.ResumedAtBytes, card.Counts(), undisturbed.Counts())
				if stateIn(t, o.Folder) != "" {
					t.Errorf("operation %d: a finished check left %s", operation, stateIn(t, o.Folder))
				}
			}
		})
	}
}

// manyOperations is more than a check takes that need not search for where the card ends.
const manyOperations = 30

// expectNothingTwice compares what a card was asked in two parts with what it was asked in one. Beside samples nothing is read twice,
// and nothing written twice but what pushes the card's last bytes out of its memory; the confirmation of a size begins again, and so does
// the search for where a card that refuses ends, a block a time.
func expectNothingTwice(t *testing.T, traits cardlab.Traits, resumedAtBytes int64, got, want cardlab.Counts) {
	t.Helper()
	mayWrite, mayRead := int64(0), int64(66*512)
	if resumedAtBytes > traits.SizeBytes {
		mayWrite = traits.SizeBytes / 4
	}
	if resumedAtBytes == 2*traits.SizeBytes {
		mayWrite, mayRead = mayWrite+traits.TrueSizeBytes+66*512, mayRead+traits.TrueSizeBytes+66*512
	}
	if traits.Beyond == cardlab.Refuse {
		mayWrite += int64(got.Operations-want.Operations) * 4 * mib
	}
	if written, read := got.WrittenBytes-want.WrittenBytes, got.ReadBytes-want.ReadBytes; written > mayWrite || read > mayRead {
		t.Errorf("went on at %d: %d bytes more were written, %d may be; %d were read, %d may be",
			resumedAtBytes, written, mayWrite, read, mayRead)
	}
}

// interrupted gives a card that a check has written two of three blocks of, and the options that the check had.
func interrupted(t *testing.T) (*cardlab.Card, capacity.Options) {
	t.Helper()
	card := newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib})
	o := capacity.Options{Folder: t.TempDir(), Card: capacity.Mark{Node: "sdx", SizeBytes: 12 * mib}}
	if r, err := capacity.Full(stopAt(t, card, 1), card, o); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %+v and %v", r, err)
	}
	return card, o
}

func TestFullBeginsAnewOnWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	overwrite := func(t *testing.T, card *cardlab.Card, at int64) {
		t.Helper()
		p := flash.AlignedBuffer(512)
		copy(p, bytes.Repeat([]byte("used"), 128))
		if _, err := card.WriteAt(p, at); err != nil {
			t.Fatal(err)
		}
	}
	for name, change := range map[string]func(t *testing.T, card *cardlab.Card, o *capacity.Options) *cardlab.Card{
		"another card": func(t *testing.T, _ *cardlab.Card, _ *capacity.Options) *cardlab.Card {
			return newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib})
		},
		"another card after a whole check of the same seed": func(t *testing.T, _ *cardlab.Card, o *capacity.Options) *cardlab.Card {
			other := newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib})
			checkFull(t, other, capacity.Options{Seed: "one"})
			return other
		},
		"another card at another node": func(t *testing.T, _ *cardlab.Card, o *capacity.Options) *cardlab.Card {
			o.Card.Node = "sdy"
			return newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib})
		},
		"another seed": func(_ *testing.T, card *cardlab.Card, o *capacity.Options) *cardlab.Card {
			o.Seed = "another"
			return card
		},
		"the first sector was used": func(t *testing.T, card *cardlab.Card, _ *capacity.Options) *cardlab.Card {
			overwrite(t, card, 0)
			return card
		},
		"the last sector done was used": func(t *testing.T, card *cardlab.Card, _ *capacity.Options) *cardlab.Card {
			overwrite(t, card, 8*mib-512)
			return card
		},
		"a changed byte": func(t *testing.T, card *cardlab.Card, o *capacity.Options) *cardlab.Card {
			path := stateIn(t, o.Folder)
			content, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			content[len(content)/2] ^= 1
			if err := os.WriteFile(path, content, 0o600); err != nil {
				t.Fatal(err)
			}
			return card
		},
		"a file of something else": func(t *testing.T, card *cardlab.Card, o *capacity.Options) *cardlab.Card {
			if err := os.WriteFile(stateIn(t, o.Folder), []byte("{}"), 0o600); err != nil {
				t.Fatal(err)
			}
			return card
		},
	} {
		t.Run(name, func(t *testing.T) {
			card, o := interrupted(t)
			card = change(t, card, &o)
			r := checkFull(t, card, o)
			expectVerdict(t, r, capacity.True, 12*mib)
			if r.ResumedAtBytes != 0 {
				t.Errorf("it went on at %d", r.ResumedAtBytes)
			}
		})
	}
	t.Run("a place that was compared was used", func(t *testing.T) {
		card := newLabCard(t, cardlab.Traits{SizeBytes: 12 * mib})
		o := capacity.Options{Folder: t.TempDir(), Card: capacity.Mark{Node: "sdx", SizeBytes: 12 * mib}}
		if _, err := capacity.Full(stopAt(t, card, 5), card, o); !errors.Is(err, context.Canceled) {
			t.Fatal(err)
		}
		overwrite(t, card, 12*mib/64)
		if r := checkFull(t, card, o); r.ResumedAtBytes != 0 {
			t.Errorf("it went on at %d", r.ResumedAtBytes)
		}
	})
	t.Run("untouched", func(t *testing.T) {
		card, o := interrupted(t)
		if r := checkFull(t, card, o); r.ResumedAtBytes != 8*mib {
			t.Errorf("it went on at %d", r.ResumedAtBytes)
		}
	})
}

// TestFullKnowsACardByItsRegister moves a card to another reader, and puts another card into its place.
func TestFullKnowsACardByItsRegister(t *testing.T) {
	const size = 12 * mib
	folder := t.TempDir()
	mark := func(cid, node string) capacity.Options {
		return capacity.Options{Folder: folder, Card: capacity.Mark{CID: cid, Node: node, SizeBytes: size}}
	}
	card := newLabCard(t, cardlab.Traits{SizeBytes: size})
	if _, err := capacity.Full(stopAt(t, card, 1), card, mark("", "sdx")); !errors.Is(err, context.Canceled) {
		t.Fatal(err)
	}
	// Its register is seen now, at the same node, and then at another.
	if r, err := capacity.Full(stopAt(t, card, 70), card, mark("01", "sdx")); !errors.Is(err, context.Canceled) || r.ResumedAtBytes != 8*mib {
		t.Fatalf("went on at %d, %v", r.ResumedAtBytes, err)
	}
	another := newLabCard(t, cardlab.Traits{SizeBytes: size})
	if r := checkFull(t, another, mark("02", "sdx")); r.ResumedAtBytes != 0 {
		t.Errorf("another card went on at %d", r.ResumedAtBytes)
	}
	if r := checkFull(t, card, mark("01", "sdx")); r.ResumedAtBytes == 0 {
		t.Error("the card began anew")
	}
}
