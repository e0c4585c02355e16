package job_test

import (
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/internal/cardlab"
	lab "cardwright/internal/cardlab/registers"
	"cardwright/internal/identity"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// telling decodes what an invented card tells of itself, with a serial number of its own and lies as named.
func telling(t *testing.T, serial byte, lies ...string) (*identity.Card, string) {
	t.Helper()
	set, err := lab.Sample("sdhc")
	if err != nil {
		t.Fatal(err)
	}
	set, err = lab.Forge(set, lies...)
	if err != nil {
		t.Fatal(err)
	}
	if set = set.Clone(); serial != 0 {
		set.CID[12] ^= serial // within PSN, bits 55:24
		set.CID[15] = lab.CRC7(set.CID[:15])<<1 | 1
	}
	raw, err := identity.ReadFolder(set.Folder())
	if err != nil {
		t.Fatal(err)
	}
	return identity.Decode(raw), hex.EncodeToString(set.CID)
}

// doubtsIn lists the findings of a run that are about registers and other cards. The emulated cards are smaller than the invented
// registers say, which is but a hint.
func doubtsIn(run logbook.Run) (codes []string) {
	for _, f := range run.Findings {
		codes = append(codes, f.Code)
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

func flashTelling(t *testing.T, book *logbook.Book, to job.Target, card *identity.Card, cid string) logbook.Run {
	t.Helper()
	to.Identity, to.Conditions.CardRegisterCID = card, cid
	run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
	if run.Verdict != logbook.Intact {
		t.Fatalf("%s: %+v", run.Verdict, run.Error)
	}
	return run
}

func TestFlashTellsWhatContradictsItself(t *testing.T) {
	for _, c := range []struct {
		lies  []string
		twins []string
		want  []string
	}{
		{nil, nil, nil},
		{[]string{"wrong-cid-checksum"}, nil, []string{"cid-checksum-wrong"}},
		{nil, []string{"/dev/mmcblk7"}, []string{"cid-at-several-places"}},
	} {
		to, _ := target(t, cardlab.Traits{})
		to.Twins = c.twins
		card, cid := telling(t, 0, c.lies...)
		run := flashTelling(t, nil, to, card, cid)
		if got := doubtsIn(run); !slices.Equal(got, c.want) {
			t.Errorf("%v, twins %v: told are %v, want %v", c.lies, c.twins, got, c.want)
		}
		if run.Registers == nil || run.Registers.CID != cid {
			t.Errorf("the run holds registers %+v", run.Registers)
		}
	}
}

// TestFlashComparesWithTheCardsOfItsProduct flashes cards that say they are the same; the last one writes at a third of their rate.
func TestFlashComparesWithTheCardsOfItsProduct(t *testing.T) {
	book, _ := newLogbook(t)
	synctest.Test(t, func(t *testing.T) {
		for i := range byte(6) {
			to, _ := target(t, cardlab.Traits{WriteBytesPerSecond: 24e6 + int64(i)*1e5})
			card, cid := telling(t, i)
			to.Device, to.Label = fmt.Sprint("lab", i), fmt.Sprint("attic-", i)
			if got := doubtsIn(flashTelling(t, book, to, card, cid)); len(got) != 0 {
				t.Errorf("card %d: told are %v", i, got)
			}
			time.Sleep(time.Second)
		}
		to, _ := target(t, cardlab.Traits{WriteBytesPerSecond: 8e6})
		card, cid := telling(t, 9)
		to.Device = "lab9" // a bay of its own has no peers, but the product has its rates
		run := flashTelling(t, book, to, card, cid)
		if got := doubtsIn(run); !slices.Equal(got, []string{"rate-outside-product"}) {
			t.Errorf("the slow card: told are %v, %v", got, run.Findings)
		}
	})
	// The first card once more, under another label.
	to, _ := target(t, cardlab.Traits{})
	card, cid := telling(t, 0)
	to.Label = "barn-1"
	if got := doubtsIn(flashTelling(t, book, to, card, cid)); !slices.Contains(got, "cid-with-several-labels") {
		t.Errorf("under another label: told are %v", got)
	}
}

// TestPrintNotedInTheLogbookIsHeldAgainst notes what is printed on a card whose reader hides its registers.
func TestPrintNotedInTheLogbookIsHeldAgainst(t *testing.T) {
	book, _ := newLogbook(t)
	known, err := book.MeetCard(t.Context(), "attic-07", 0, nil)
	if err == nil {
		err = book.SetFacts(t.Context(), known.CardID, map[string]string{logbook.FactRated: "U3"}, time.Now())
	}
	if err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		to, _ := target(t, cardlab.Traits{WriteBytesPerSecond: 20e6})
		to.Label = "attic-07"
		run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
		got := run.Conditions
		if got.Claim != "U3" || got.ClaimSource != logbook.ClaimPrinted || run.Pace != "below claim" {
			t.Errorf("%s, %s, claim %q by %q", run.Pace, run.PaceReason, got.Claim, got.ClaimSource)
		}
	})
}

// TestFlashTellsWhatAnEarlierCheckFound has a check find a card short. In a batch, a label is not yet on the card that gets it.
func TestFlashTellsWhatAnEarlierCheckFound(t *testing.T) {
	book, _ := newLogbook(t)
	to, _ := target(t, cardlab.Traits{TrueSizeBytes: 40 * mib, Beyond: cardlab.Drop})
	to.Label = "attic-07"
	if run := job.Capacity(t.Context(), to, job.CapacityOptions{Book: book, Folder: t.TempDir()}); run.Error != nil || run.Verdict != "short" {
		t.Fatalf("%+v", run)
	}
	run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
	if got := doubtsIn(run); !slices.Contains(got, "size-found-short") {
		t.Errorf("told are %v", got)
	}
	batch, err := book.OpenBatch(t.Context(), logbook.BatchOptions{Name: "attic", ImageSHA256: strings.Repeat("ab", 32)})
	if err != nil {
		t.Fatal(err)
	}
	defer batch.Close()
	other, _ := target(t, cardlab.Traits{})
	other.Label, other.BatchID = "attic-07", batch.ID()
	run = job.Flash(t.Context(), held(orchardImage()), []job.Target{other}, job.Options{Book: book}).Cards[0]
	if got := doubtsIn(run); len(got) != 0 {
		t.Errorf("another card that gets the label: told are %v", got)
	}
}
