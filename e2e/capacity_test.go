//go:build device

package e2e_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// A capacityDocument is what "capacity --json" tells.
type capacityDocument struct {
	ProgramVersion string  `json:"program_version"`
	StartedAt      string  `json:"started_at"`
	ExitCode       int     `json:"exit_code"`
	Device         string  `json:"device"`
	Label          string  `json:"label"`
	CardID         int64   `json:"card_id"`
	CheckID        int64   `json:"check_id"`
	Leftover       any     `json:"leftover"`
	Claimed        int64   `json:"claimed_bytes"`
	True           *int64  `json:"true_bytes"`
	Verdict        string  `json:"verdict"`
	Mode           string  `json:"mode"`
	Bad            []any   `json:"bad_ranges"`
	Miss           float64 `json:"chance_to_miss"`
	Missing        float64 `json:"missing_fraction"`
	Places         int     `json:"random_places"`
	LeftOut        int     `json:"ranges_left_out"`
	Restored       *bool   `json:"restored"`
	Rescue         string  `json:"rescue"`
	Seed           string  `json:"seed"`
	Write          any     `json:"write"`
	Read           any     `json:"read"`
	WriteTrace     []any   `json:"write_trace"`
	ReadTrace      []any   `json:"read_trace"`
	ResumedAt      int64   `json:"resumed_at_bytes"`
	Seconds        float64 `json:"seconds"`
	Findings       []any   `json:"findings"`
	Error          any     `json:"error"`
}

// capacityOf checks the size of a card and expects an exit code.
func capacityOf(t *testing.T, card *seated, wantCode int, flags ...string) *capacityDocument {
	t.Helper()
	args := append([]string{"capacity", card.path, "--fixed-ok", "--yes", "--json", "--folder", t.TempDir()}, flags...)
	return decode[capacityDocument](t, run(t, wantCode, args...).stdout)
}

// digest is what the card really holds.
func (s *seated) digest() string { return s.Truth().Digest(0, s.Truth().SizeBytes()).String() }

// TestFalseSizesAreFoundToTheSector has cards state more than they hold: the sizes are the traits', which the program does not know.
func TestFalseSizesAreFoundToTheSector(t *testing.T) {
	const claimed = 256 * mib
	sizes := map[string]int64{
		"half": claimed / 2, "a third": claimed / 3 / 512 * 512, "7/8": claimed / 8 * 7, "one sector short": claimed - 512,
	}
	for name, trueBytes := range sizes {
		for how, beyond := range map[string]cardlab.Beyond{"wraps": cardlab.Wrap, "drops": cardlab.Drop, "refuses": cardlab.Refuse} {
			t.Run(name+", "+how, func(t *testing.T) {
				card := seat(t, cardlab.Traits{SizeBytes: claimed, TrueSizeBytes: trueBytes, Beyond: beyond, Seed: 61})
				before := card.digest()
				quick := capacityOf(t, card, 6)
				quick.expect(t, "short", &trueBytes)
				if quick.Mode != "quick" || quick.Restored == nil || !*quick.Restored || card.digest() != before {
					t.Errorf("the card does not hold what it held: %+v", quick)
				}
				full := capacityOf(t, card, 6, "--full")
				full.expect(t, "short", &trueBytes)
				if full.Mode != "full" || full.Miss != 0 || len(full.Bad) == 0 {
					t.Errorf("%+v", full)
				}
			})
		}
	}
}

func (d *capacityDocument) expect(t *testing.T, verdict string, trueBytes *int64) {
	t.Helper()
	if d.Verdict != verdict || (d.True == nil) != (trueBytes == nil) || trueBytes != nil && *d.True != *trueBytes {
		t.Errorf("verdict %q, true size %s; want %q, %s", d.Verdict, number(d.True), verdict, number(trueBytes))
	}
}

func number(n *int64) string {
	if n == nil {
		return "none"
	}
	return strconv.FormatInt(*n, 10)
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
	fmt.Printf("MEASURED quick check of 32 GB at 20 MB/s: %.1f s\n", took.Seconds())
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
	if document.Miss <= 0 || document.Miss > 0.05 {
		t.Errorf("the chance to miss a card with a hundredth missing is told as %v", document.Miss)
	}
}

// TestKilledQuickCheckIsUndone kills the program while stamps are on the card; the next check puts back what they replaced.
func TestKilledQuickCheckIsUndone(t *testing.T) {
	for _, traits := range []cardlab.Traits{
		{SizeBytes: 256 * mib, Seed: 63},
		{SizeBytes: 256 * mib, TrueSizeBytes: 100*mib + 512*7, Beyond: cardlab.Wrap, Seed: 64},
	} {
		card := seat(t, traits)
		before, folder := card.digest(), t.TempDir()
		writes, killAt := 0, make(chan struct{})
		card.meetsWrite(func() bool { writes++; return writes == 200 }, killAt)
		p := start(t, command{args: []string{"capacity", card.path, "--fixed-ok", "--yes", "--folder", folder}})
		await(t, killAt)
		if err := p.cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		p.wait()
		if card.digest() == before {
			t.Fatal("no stamp was on the card when the program was killed, so this shows nothing")
		}
		p = start(t, command{args: []string{"capacity", card.path, "--fixed-ok", "--yes", "--json", "--folder", folder}})
		result := p.wait()
		document := decode[capacityDocument](t, result.stdout)
		if document.Leftover == nil || card.digest() != before {
			t.Errorf("the card does not hold what it held before the first check: %s%s", result.stdout, result.stderr)
		}
		if left, _ := filepath.Glob(filepath.Join(folder, "*")); len(left) != 0 {
			t.Errorf("files are left: %v", left)
		}
	}
}

// meetsWrite closes a channel at the first write of which wanted says so.
func (s *seated) meetsWrite(wanted func() bool, met chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	closed := false
	s.watching = func(op cardlab.Op) {
		if op.Kind == cardlab.OpWrite && !closed && wanted() {
			closed = true
			close(met)
		}
	}
}

// TestFullCheckGoesOn interrupts a full check, and has it go on.
func TestFullCheckGoesOn(t *testing.T) {
	const size = 768 * mib
	card := seat(t, cardlab.Traits{SizeBytes: size, Seed: 65})
	folder := t.TempDir()
	args := []string{"capacity", card.path, "--full", "--fixed-ok", "--yes", "--json", "--folder", folder}
	reached := card.reaches(500 * mib)
	p := start(t, command{args: args})
	await(t, reached)
	if err := p.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	interrupted := p.wait()
	interrupted.expectCode(t, 130)
	if d := decode[capacityDocument](t, interrupted.stdout); d.Verdict != "" || d.True != nil {
		t.Errorf("a check that was not finished says %q", d.Verdict)
	}
	before := card.Counts().WrittenBytes
	result := run(t, 0, args...)
	document := decode[capacityDocument](t, result.stdout)
	whole := int64(size)
	document.expect(t, "true", &whole)
	if written := card.Counts().WrittenBytes - before; document.ResumedAt == 0 || written > size-200*mib {
		t.Errorf("it went on at %d and wrote %d bytes", document.ResumedAt, written)
	}
}
