//go:build device

package e2e_test

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// sizing gives the arguments that have a card's size checked, with a document in the end.
func sizing(card *seated, folder string, flags ...string) []string {
	return append([]string{"capacity", card.path, "--fixed-ok", "--yes", "--json", "--folder", folder}, flags...)
}

// capacityOf checks the size of a card and expects an exit code.
func capacityOf(t *testing.T, card *seated, wantCode int, flags ...string) *capacityDocument {
	t.Helper()
	return decode[capacityDocument](t, run(t, wantCode, sizing(card, t.TempDir(), flags...)...).stdout)
}

// digest is what the card really holds.
func (s *seated) digest() string { return s.Truth().Digest(0, s.Truth().SizeBytes()).String() }

func (d *capacityDocument) expect(t *testing.T, verdict string, trueBytes *int64) {
	t.Helper()
	if d.Verdict != verdict || (d.True == nil) != (trueBytes == nil) || trueBytes != nil && *d.True != *trueBytes {
		t.Errorf("verdict %q, true size %s; want %q, %s", d.Verdict, number(d.True), verdict, number(trueBytes))
	}
}

// expectKept expects a quick check to say that the card holds what it held, and that to be so.
func (d *capacityDocument) expectKept(t *testing.T, card *seated, before string) {
	t.Helper()
	if d.Mode != "quick" || d.Restored == nil || !*d.Restored || d.Rescue != "" || card.digest() != before {
		t.Errorf("the card does not hold what it held: %+v", d)
	}
}

func number(n *int64) string {
	if n == nil {
		return "none"
	}
	return strconv.FormatInt(*n, 10)
}

// TestFalseSizesAreFoundToTheSector has cards state more than they hold: the sizes are the traits', which the program does not
// know.
func TestFalseSizesAreFoundToTheSector(t *testing.T) {
	const claimed = 64 * mib
	sizes := map[string]int64{
		"half": claimed / 2, "a third": claimed / 3 / 512 * 512, "7 of 8 parts": claimed / 8 * 7, "one sector short": claimed - 512,
	}
	for name, trueBytes := range sizes {
		for how, beyond := range map[string]cardlab.Beyond{"wraps": cardlab.Wrap, "drops": cardlab.Drop, "refuses": cardlab.Refuse} {
			t.Run(name+", "+how, func(t *testing.T) {
				expectFoundShort(t, cardlab.Traits{SizeBytes: claimed, TrueSizeBytes: trueBytes, Beyond: beyond, Seed: 61})
			})
		}
	}
}

// TestCardsOwnMemoryHidesNothing has cards answer their latest 8 MiB from memory, also what they then forget or put elsewhere.
func TestCardsOwnMemoryHidesNothing(t *testing.T) {
	for how, beyond := range map[string]cardlab.Beyond{"wraps": cardlab.Wrap, "drops": cardlab.Drop} {
		t.Run(how, func(t *testing.T) {
			expectFoundShort(t, cardlab.Traits{
				SizeBytes: 64 * mib, TrueSizeBytes: 40*mib + 512*3, Beyond: beyond, MemoryBytes: 8 * mib, Seed: 66,
			})
		})
	}
}

// expectFoundShort checks a card quickly, which must leave it as it was, and fully.
func expectFoundShort(t *testing.T, traits cardlab.Traits) {
	t.Helper()
	card := seat(t, traits)
	before := card.digest()
	quick := capacityOf(t, card, 6)
	quick.expect(t, "short", &traits.TrueSizeBytes)
	quick.expectKept(t, card, before)
	full := capacityOf(t, card, 6, "--full")
	full.expect(t, "short", &traits.TrueSizeBytes)
	if full.Mode != "full" || full.Miss != 0 || full.Restored != nil || len(full.Bad) == 0 || full.Write == nil {
		t.Errorf("%+v", full)
	}
}

// TestSoundCardKeepsWhatItHolds checks a card of 32 GB at 20 MB/s: the quick check takes under a minute.
func TestSoundCardKeepsWhatItHolds(t *testing.T) {
	size := int64(32e9) / 512 * 512
	card := seat(t, cardlab.Traits{
		SizeBytes: size, WriteBytesPerSecond: 20e6, ReadBytesPerSecond: 20e6, RandomWriteCost: 2 * time.Millisecond, Seed: 62,
	})
	began := time.Now()
	document := capacityOf(t, card, 0)
	took := time.Since(began)
	document.expect(t, "true", &size)
	t.Logf("MEASURED a quick check of a card of 32 GB at 20 MB/s: %.1f s", took.Seconds())
	if took > time.Minute {
		t.Errorf("the quick check took %v", took)
	}
	fresh := emulated(t, card.traits)
	for _, span := range card.Truth().Written() {
		if card.Truth().Digest(span.OffsetBytes, span.LengthBytes) != fresh.Truth().Digest(span.OffsetBytes, span.LengthBytes) {
			t.Errorf("%d bytes at %d are not what they were", span.LengthBytes, span.OffsetBytes)
		}
	}
	if len(card.Truth().Written()) == 0 {
		t.Error("nothing was written at all")
	}
	if document.Miss <= 0 || document.Miss > 0.05 || document.Missing != 0.01 {
		t.Errorf("the chance to miss a card with a hundredth missing is told as %v of %v", document.Miss, document.Missing)
	}
}

// TestFullCheckGoesOn interrupts a full check, and has it go on.
func TestFullCheckGoesOn(t *testing.T) {
	size := int64(768 * mib)
	card, folder := seat(t, cardlab.Traits{SizeBytes: size, Seed: 65}), t.TempDir()
	reached := card.reaches(500 * mib)
	p := start(t, command{args: sizing(card, folder, "--full")})
	await(t, reached)
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	interrupted := p.wait()
	interrupted.expectCode(t, 130)
	d := decode[capacityDocument](t, interrupted.stdout)
	if d.Verdict != "" || d.True != nil || d.Error == nil || d.Error.Class != "interrupted" {
		t.Errorf("a check that was not finished says %q, %+v", d.Verdict, d.Error)
	}
	before := card.Counts().WrittenBytes
	document := decode[capacityDocument](t, run(t, 0, sizing(card, folder, "--full")...).stdout)
	document.expect(t, "true", &size)
	written := card.Counts().WrittenBytes - before
	if document.ResumedAt == 0 || written > size-200*mib {
		t.Errorf("it went on at %d and wrote %d bytes", document.ResumedAt, written)
	}
	t.Logf("MEASURED a full check of %d MiB that was interrupted past 500: it went on at %d MiB and wrote %d MiB",
		size/mib, document.ResumedAt/mib, written/mib)
	expectNothingIn(t, folder)
}

// expectNothingIn expects that a check left no file.
func expectNothingIn(t *testing.T, folder string) {
	t.Helper()
	if left, _ := filepath.Glob(filepath.Join(folder, "*")); len(left) != 0 {
		t.Errorf("files are left: %v", left)
	}
}

// TestFlashOfACardThatWrapsLeadsToItsSize flashes an image that is larger than the card really is. The proof finds out that the
// card wraps round and at which size, and the check that it leads to says the same. The logbook tells both of the card from then on.
func TestFlashOfACardThatWrapsLeadsToItsSize(t *testing.T) {
	trueBytes := int64(100*mib + 512*9)
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, TrueSizeBytes: trueBytes, Beyond: cardlab.Wrap, Seed: 67})
	book := filepath.Join(t.TempDir(), "logbook.db")
	flashed := runCommand(t, 6, command{
		args: []string{"flash", gptImage().path(t), "--to", card.path, "--label", "attic-07", "--fixed-ok", "--yes"}, logbook: book,
	})
	if !strings.Contains(flashed.stdout, "cardwright capacity") {
		t.Errorf("the flash does not lead to the check of its size:\n%s", flashed.stdout)
	}
	list := decode[logbookDocument](t, runCommand(t, 0, command{args: []string{"logbook", "list", "--json"}, logbook: book}).stdout)
	if len(list.Runs) != 1 || list.Runs[0].Proof == nil || number(list.Runs[0].Proof.TrueSize) != number(&trueBytes) {
		t.Errorf("the flash does not tell the true size: %+v", list.Runs)
	}
	args := sizing(card, t.TempDir(), "--label", "attic-07")
	checked := decode[capacityDocument](t, runCommand(t, 6, command{args: args, logbook: book}).stdout)
	checked.expect(t, "short", &trueBytes)
	listed := runCommand(t, 0, command{args: []string{"logbook", "cards", "--json"}, logbook: book})
	known := decode[knownCardsDocument](t, listed.stdout)
	if len(known.Cards) != 1 {
		t.Fatalf("the logbook knows %+v", known.Cards)
	}
	told, last := known.Cards[0], known.Cards[0].LastCapacity
	if told.CardID != checked.CardID || told.Label != "attic-07" || told.Size != card.traits.SizeBytes ||
		told.LastFlash == nil || told.LastFlash.Verdict != "damaged" {
		t.Errorf("the logbook tells of the card %+v, %+v", told, told.LastFlash)
	}
	if last == nil || last.CheckID != checked.CheckID || last.Mode != "quick" || last.Verdict != "short" ||
		last.Claimed != card.traits.SizeBytes || number(last.True) != number(&trueBytes) {
		t.Errorf("the logbook tells of the check %+v", last)
	}
}
