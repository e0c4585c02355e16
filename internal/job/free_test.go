package job_test

import (
	"bytes"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// orchardFree are ranges of the orchard image, of which blocks 3, 4 and 6 lie wholly within: what is left of them is shorter than a
// block, the first block, or the last.
func orchardFree() []partition.Range {
	return []partition.Range{
		{OffsetBytes: mib, LengthBytes: 4 * mib},
		{OffsetBytes: 11 * mib, LengthBytes: 6 * mib},
		{OffsetBytes: 17 * mib, LengthBytes: 3*mib + 512},
		{OffsetBytes: 24 * mib, LengthBytes: 8 * mib},
	}
}

// orchardSkipped are the blocks that follow from that.
func orchardSkipped() []int { return []int{3, 4, 6} }

// expectSkipped expects every block of the image on the card but the free ones.
func expectSkipped(t *testing.T, card *cardlab.Card, image []byte) {
	t.Helper()
	for i := 0; i*block < len(image); i++ {
		same := bytes.Equal(card.Truth().Read(int64(i*block), block), image[i*block:(i+1)*block])
		if same == slices.Contains(orchardSkipped(), i) {
			t.Errorf("block %d: the card holds the image: %v", i, same)
		}
	}
}

func TestFreeSpaceIsNeitherWrittenNorCompared(t *testing.T) {
	image := orchardImage()
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	to, card := target(t, cardlab.Traits{})
	before := card.Truth().Read(0, 64*mib)
	result := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Free: orchardFree(), Book: book})
	run := result.Cards[0]
	want := int64(len(image) - 3*block)
	if run.Verdict != logbook.Intact || run.Proof.Bytes != want || run.Write.Bytes != want || run.Write.SkippedBytes != 3*block ||
		!run.Conditions.SkipFree || run.Conditions.Discard {
		t.Fatalf("%+v, %+v, %+v, %+v", run, run.Proof, run.Write, run.Error)
	}
	expectSkipped(t, card, image)
	for _, i := range orchardSkipped() {
		if !bytes.Equal(card.Truth().Read(int64(i*block), block), before[i*block:(i+1)*block]) {
			t.Errorf("block %d was touched", i)
		}
	}
	record, err := book.Show(t.Context(), run.RunID)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(run, record.Run, cmpopts.EquateApproxTime(time.Microsecond), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("the record differs from the result (-printed +recorded):\n%s", diff)
	}
	again := job.Check(t.Context(), held(image), job.Target{Card: card}, job.Options{Free: orchardFree()}).Cards[0]
	if again.Verdict != logbook.Intact || again.Proof.Bytes != want || !again.Conditions.SkipFree {
		t.Errorf("checked with its free space left out: %+v, %+v", again, again.Proof)
	}
	plain := job.Check(t.Context(), held(image), job.Target{Card: card}, job.Options{}).Cards[0]
	if len(plain.Proof.Damage) != 2 || plain.Proof.Damage[0].Kind != verify.KindChanged || plain.Proof.Damage[0].LengthBytes != 2*block ||
		plain.Conditions.SkipFree {
		t.Errorf("checked whole: %+v, %+v", plain, plain.Proof)
	}
}

// What a card makes of a discard changes nothing about the proof, and only free blocks are ever discarded.
func TestDiscardIsToldAsItWas(t *testing.T) {
	image := orchardImage()
	discards := func(fault cardlab.Fault) func(cardlab.Op) cardlab.Fault {
		return func(op cardlab.Op) cardlab.Fault {
			if op.Kind == cardlab.OpDiscard {
				return fault
			}
			return cardlab.FaultNone
		}
	}
	for name, c := range map[string]struct {
		discards cardlab.Discards
		inject   func(cardlab.Op) cardlab.Fault
		want     bool
	}{
		"none":  {cardlab.DiscardNone, discards(cardlab.FaultNone), false},
		"zeros": {cardlab.DiscardZeros, discards(cardlab.FaultNone), true},
		"noise": {cardlab.DiscardNoise, discards(cardlab.FaultNone), true},
		"fails": {cardlab.DiscardZeros, discards(cardlab.FaultError), false},
	} {
		to, card := target(t, cardlab.Traits{Discards: c.discards})
		var told []int
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			if op.Kind == cardlab.OpDiscard {
				for i := range op.LengthBytes / block {
					told = append(told, int(op.OffsetBytes/block)+i)
				}
			}
			return c.inject(op)
		})
		run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Free: orchardFree()}).Cards[0]
		if run.Verdict != logbook.Intact || run.Error != nil || run.Conditions.Discard != c.want || len(run.Findings) != 0 {
			t.Errorf("%s: %+v, %+v", name, run, run.Error)
		}
		expectSkipped(t, card, image)
		if c.want && !slices.Equal(told, orchardSkipped()) || c.discards == cardlab.DiscardNone && told != nil {
			t.Errorf("%s: blocks %v were discarded", name, told)
		}
	}
}

// A card that does not come back from a discard is given up with the place.
func TestCardThatHangsInADiscardIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		to, card := target(t, cardlab.Traits{Discards: cardlab.DiscardZeros})
		card.Inject(func(op cardlab.Op) cardlab.Fault {
			if op.Kind == cardlab.OpDiscard {
				return cardlab.FaultHang
			}
			return cardlab.FaultNone
		})
		result := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Free: orchardFree()})
		run := result.Cards[0]
		card.Release()
		<-result.Rest
		if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Step != flash.StepClear || run.Error.OffsetBytes != 3*block {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
	})
}

// Free space that cannot be held against the image's length, or that holds no whole block, makes an ordinary run.
func TestWithoutWholeFreeBlocksAllIsWritten(t *testing.T) {
	image := orchardImage()
	for name, c := range map[string]struct {
		declared int64
		free     []partition.Range
	}{
		"length not known": {0, orchardFree()},
		"no whole block":   {int64(len(image)), []partition.Range{{OffsetBytes: 5 * mib, LengthBytes: 6 * mib}}},
		"the ends alone":   {int64(len(image)), []partition.Range{{LengthBytes: block}, {OffsetBytes: 28 * mib, LengthBytes: block}}},
		"beyond the image": {int64(len(image)), []partition.Range{{OffsetBytes: 32 * mib, LengthBytes: 64 * mib}}},
	} {
		to, card := target(t, cardlab.Traits{Discards: cardlab.DiscardZeros})
		source := held(image)
		source.declared = c.declared
		run := job.Flash(t.Context(), source, []job.Target{to}, job.Options{Free: c.free}).Cards[0]
		if run.Verdict != logbook.Intact || run.Conditions.SkipFree || run.Conditions.Discard || run.Write.SkippedBytes != 0 {
			t.Errorf("%s: %+v", name, run)
		}
		if !bytes.Equal(card.Truth().Read(0, len(image)), image) {
			t.Errorf("%s: the card does not hold the image", name)
		}
	}
}

// An image that has another length than when its free space was looked for is a bad source.
func TestImageOfAnotherLengthThanItsFreeSpaceIsABadSource(t *testing.T) {
	image := orchardImage()
	for _, declared := range []int64{28 * mib, 36 * mib} {
		to, card := target(t, cardlab.Traits{})
		source := held(image)
		source.declared = declared
		run := job.Flash(t.Context(), source, []job.Target{to}, job.Options{Free: orchardFree()}).Cards[0]
		if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassSource || !headIsClear(card) {
			t.Errorf("declared %d: %s, %+v", declared, run.Verdict, run.Error)
		}
	}
}

// A card that wraps is found by what was written.
func TestWrapIsFoundWithFreeSpaceLeftOut(t *testing.T) {
	image := orchardImage()
	to, card := target(t, cardlab.Traits{TrueSizeBytes: 20 * mib, Beyond: cardlab.Wrap})
	run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{
		Free: []partition.Range{{OffsetBytes: 8 * mib, LengthBytes: 4 * mib}, {OffsetBytes: 24 * mib, LengthBytes: 4 * mib}},
	}).Cards[0]
	if run.Verdict != logbook.Damaged || run.Proof.TrueSizeBytes == nil || *run.Proof.TrueSizeBytes != 20*mib || !headIsClear(card) {
		t.Errorf("%s, %+v", run.Verdict, run.Proof)
	}
}
