//go:build device

package e2e_test

import (
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// stamping is a number of writes after which a quick check of any of the cards here has stamps on the card and puts nothing back
// yet; restoring is one while it does.
const (
	stamping  = 200
	restoring = 800
)

// meetsWrite gives a channel that is closed at a write, counted from now on.
func (s *seated) meetsWrite(number int) <-chan struct{} {
	writes := 0
	return s.meets(func(op cardlab.Op) bool { // one call at a time: see note
		if op.Kind == cardlab.OpWrite {
			writes++
		}
		return writes == number
	})
}

// rescuesIn lists what is kept of cards in a folder.
func rescuesIn(t *testing.T, folder string) []string {
	t.Helper()
	kept, err := filepath.Glob(filepath.Join(folder, "rescue-*"))
	if err != nil {
		t.Fatal(err)
	}
	return kept
}

// expectUndone checks a card once more, and expects that what an interrupted check replaced is put back.
func expectUndone(t *testing.T, card *seated, folder, before string, wantCode int) {
	t.Helper()
	kept := rescuesIn(t, folder)
	if len(kept) != 1 {
		t.Fatalf("what the card held is kept in %v", kept)
	}
	r := run(t, wantCode, sizing(card, folder)...)
	document := decode[capacityDocument](t, r.stdout)
	document.expectKept(t, card, before)
	if left := document.Leftover; left == nil || !slices.Equal(left.PutBack, kept) ||
		len(left.NotWhole)+len(left.Left)+len(left.Elsewhere)+len(left.InUse) != 0 {
		t.Errorf("what was left behind is told as %+v", left)
	}
	expectNothingIn(t, folder)
	t.Logf("MEASURED a check that first puts back what another had replaced: %.1f s", r.took.Seconds())
}

// TestKilledQuickCheckIsUndone kills the program while stamps are on the card; the next check puts back what they replaced.
func TestKilledQuickCheckIsUndone(t *testing.T) {
	for name, c := range map[string]struct {
		traits cardlab.Traits
		code   int
	}{
		"sound":   {cardlab.Traits{SizeBytes: 96 * mib, Seed: 63}, 0},
		"wraps":   {cardlab.Traits{SizeBytes: 96 * mib, TrueSizeBytes: 40*mib + 512*7, Beyond: cardlab.Wrap, Seed: 64}, 6},
		"forgets": {cardlab.Traits{SizeBytes: 96 * mib, TrueSizeBytes: 40*mib + 512*7, Beyond: cardlab.Drop, Seed: 64}, 6},
	} {
		t.Run(name, func(t *testing.T) {
			card, folder := seat(t, c.traits), t.TempDir()
			before, met := card.digest(), card.meetsWrite(stamping)
			p := start(t, command{args: sizing(card, folder)})
			await(t, met)
			if err := p.cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
			p.wait()
			if card.digest() == before {
				t.Fatal("no stamp was on the card when the program was killed, so this shows nothing")
			}
			expectUndone(t, card, folder, before, c.code)
		})
	}
}

// TestInterruptedQuickCheckPutsBackFirst presses ^C while stamps are on the card: the program ends when what it held is back.
func TestInterruptedQuickCheckPutsBackFirst(t *testing.T) {
	card, folder := seat(t, cardlab.Traits{SizeBytes: 96 * mib, Seed: 68}), t.TempDir()
	before, met := card.digest(), card.meetsWrite(stamping)
	p := start(t, command{args: sizing(card, folder)})
	await(t, met)
	pressed := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	r := p.wait()
	took := time.Since(pressed)
	r.expectCode(t, 130)
	document := decode[capacityDocument](t, r.stdout)
	document.expect(t, "", nil)
	document.expectKept(t, card, before)
	if document.Error == nil || document.Error.Class != "interrupted" {
		t.Errorf("the interrupt is told as %+v", document.Error)
	}
	expectNothingIn(t, folder)
	t.Logf("MEASURED the end of a quick check after an interrupt: %.1f s", took.Seconds())
}

// TestQuickCheckOfACardThatVanishes pulls a card while it is stamped, and while what it held is put back. Seated again, it is put
// right.
func TestQuickCheckOfACardThatVanishes(t *testing.T) {
	for name, number := range map[string]int{
		"at the first stamps": 3, "while it is stamped": stamping, "while it is put back": restoring,
	} {
		t.Run(name, func(t *testing.T) {
			reader, folder := bayNamed(t, "reader"), t.TempDir()
			card := emulated(t, cardlab.Traits{SizeBytes: 96 * mib, OldContent: true, Seed: 69})
			reader.seat(t, card)
			before, met := card.digest(), card.meetsWrite(number)
			p := start(t, command{args: sizing(card, folder)})
			await(t, met)
			reader.pull(t)
			r := p.wait()
			r.expectCode(t, 5)
			document := decode[capacityDocument](t, r.stdout)
			if document.Error == nil || document.Error.Class != "card" || document.Restored == nil || *document.Restored ||
				!slices.Equal(rescuesIn(t, folder), []string{document.Rescue}) {
				t.Fatalf("the card that vanished is told as %+v, %+v", document, document.Error)
			}
			if wants := map[bool]string{true: "restore", false: "stamp"}[number == restoring]; document.Error.Step != wants {
				t.Errorf("it vanished in step %s, want %s", document.Error.Step, wants)
			}
			if card.digest() == before {
				t.Fatal("no stamp was on the card when it was pulled, so this shows nothing")
			}
			reader.seat(t, card)
			expectUndone(t, card, folder, before, 0)
		})
	}
}

// TestQuickCheckOfASilentCard has a card answer no more while it is stamped. It is given up, and put right when it was seated
// again.
func TestQuickCheckOfASilentCard(t *testing.T) {
	const limit = 2 * time.Second
	reader, folder := bayNamed(t, "reader"), t.TempDir()
	card := emulated(t, cardlab.Traits{SizeBytes: 96 * mib, OldContent: true, Seed: 73})
	t.Cleanup(card.Release) // or else a test that fails would wait for ever
	var writes atomic.Int64
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpWrite && writes.Add(1) == stamping {
			return cardlab.FaultHang
		}
		return cardlab.FaultNone
	})
	reader.seat(t, card)
	before := card.digest()
	p := start(t, command{args: sizing(card, folder, "--stall-limit", limit.String())})
	p.stdout.awaitText(t, "\n}\n", time.Minute)
	p.stderr.awaitText(t, "has not returned; the kernel may keep this program from ending", time.Minute)
	reader.pull(t)
	r := p.wait()
	r.expectCode(t, 5)
	document := decode[capacityDocument](t, r.stdout)
	document.expect(t, "", nil)
	if document.Claimed != card.traits.SizeBytes || document.Restored == nil || *document.Restored ||
		!slices.Equal(rescuesIn(t, folder), []string{document.Rescue}) {
		t.Errorf("where that is kept which is not back on the silent card is told as %+v", document)
	}
	if document.Error == nil || document.Error.Class != "card" || document.Error.Step != "stamp" ||
		!strings.Contains(document.Error.Cause, "a write of 512 bytes") || r.took < limit {
		t.Errorf("after %v the silent card is told as %+v", r.took, document.Error)
	}
	if card.digest() == before {
		t.Fatal("no stamp was on the card when it was pulled, so this shows nothing")
	}
	reader.seat(t, card)
	expectUndone(t, card, folder, before, 0)
}
