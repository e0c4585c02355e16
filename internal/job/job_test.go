package job_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

const (
	mib   = 1 << 20
	block = flash.BlockBytes
)

// orchardImage is an image of 32 MiB whose content repeats nowhere: an MBR and one ext2 partition from 8 MiB to its end
// (superblock layout: Documentation/filesystems/ext4 of the Linux kernel; MBR layout: UEFI 2.11, 5.2.1).
func orchardImage() []byte {
	image := make([]byte, 32*mib)
	random := rand.NewChaCha8([32]byte{3})
	_, _ = random.Read(image) // documented never to fail
	clear(image[:512])
	little := binary.LittleEndian
	little.PutUint32(image[440:], 0x0DDBA11)
	entry := image[446:]
	entry[4] = 0x83
	little.PutUint32(entry[8:], 8*mib/512)
	little.PutUint32(entry[12:], 24*mib/512)
	image[510], image[511] = 0x55, 0xAA
	super := image[8*mib+1024:]
	clear(super[:1024])
	clear(image[8*mib : 8*mib+1024])
	little.PutUint32(super[0x00:], 6144)   // inodes
	little.PutUint32(super[0x04:], 24*256) // blocks of 4 KiB
	little.PutUint32(super[0x18:], 2)
	little.PutUint16(super[0x38:], 0xEF53)
	little.PutUint32(super[0x4C:], 1)
	little.PutUint16(super[0x58:], 256)
	copy(super[0x78:], "orchard")
	return image
}

// A heldImage is an image in memory, as job wants it.
type heldImage struct {
	io.Reader
	declared int64 // 0: unknown
}

func (h *heldImage) Facts() source.Facts {
	return source.Facts{Name: "orchard.img", Format: source.FormatRaw, Expected: source.Absent, PackedBytes: h.declared, ImageBytes: h.declared}
}

func (h *heldImage) DeclaredBytes() (int64, bool) { return h.declared, h.declared > 0 }

func held(image []byte) *heldImage {
	return &heldImage{Reader: bytes.NewReader(image), declared: int64(len(image))}
}

func target(t *testing.T, traits cardlab.Traits) (job.Target, *cardlab.Card) {
	t.Helper()
	if traits.SizeBytes == 0 {
		traits.SizeBytes = 64 * mib
	}
	traits.OldContent = true
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return job.Target{Card: card, Device: "lab"}, card
}

func flashOne(t *testing.T, image []byte, traits cardlab.Traits) (*logbook.Run, *cardlab.Card) {
	t.Helper()
	to, card := target(t, traits)
	result := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{})
	return &result.Cards[0], card
}

func headIsClear(card *cardlab.Card) bool {
	return bytes.Equal(card.Truth().Read(0, mib), make([]byte, mib))
}

func TestSoundCardIsIntactAndRecordedAsPrinted(t *testing.T) {
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	image := orchardImage()
	to, card := target(t, cardlab.Traits{})
	to.Label = "gate"
	result := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{Book: book, FloorBytesPerSecond: 1})
	run := result.Cards[0]
	if run.Verdict != logbook.Intact || run.Error != nil || run.RunID == 0 || run.CardID == 0 {
		t.Fatalf("%+v, %+v", run, run.Error)
	}
	if got := card.Truth().Read(0, len(image)); !bytes.Equal(got, image) {
		t.Error("the card does not hold the image")
	}
	if run.Proof.Bytes != int64(len(image)) || !run.Proof.FromMedium || *run.TimeToProvenSeconds <= *run.TimeToFlashSeconds {
		t.Errorf("%+v after %v and %v", run.Proof, *run.TimeToFlashSeconds, *run.TimeToProvenSeconds)
	}
	if len(run.Table.Partitions) != 1 || run.Table.Partitions[0].FileSystem.Label != "orchard" || len(run.Findings) != 0 {
		t.Errorf("table %+v, findings %+v", run.Table, run.Findings)
	}
	record, err := book.Show(t.Context(), run.RunID)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(run, record.Run, cmpopts.EquateApproxTime(time.Microsecond), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("the record differs from the result (-printed +recorded):\n%s", diff)
	}
	trace, err := book.Trace(t.Context(), run.RunID)
	if err != nil || len(trace) != len(image)/block {
		t.Errorf("the trace has %d samples: %v", len(trace), err)
	}
}

func TestImageOfOneBlockIsProvenThroughItsHead(t *testing.T) {
	for _, n := range []int{1, 512, 5000, block} {
		run, card := flashOne(t, orchardImage()[:n], cardlab.Traits{})
		if run.Verdict != logbook.Intact || run.Proof.Bytes != int64(n) {
			t.Errorf("%d bytes: %s, %+v, %+v", n, run.Verdict, run.Proof, run.Error)
		}
		if !bytes.Equal(card.Truth().Read(0, n), orchardImage()[:n]) {
			t.Errorf("%d bytes: not on the card", n)
		}
	}
}

// An image that was cut off within its own partition lands as it is, and the run says what is missing.
func TestImageThatWasCutOffIsTold(t *testing.T) {
	for n, want := range map[int]bool{32 * mib: false, 32*mib - 512: true, 9 * mib: true} {
		run, _ := flashOne(t, orchardImage()[:n], cardlab.Traits{})
		if run.Verdict != logbook.Intact || told(run.Findings, "image-cut-short") != want {
			t.Errorf("%d bytes: %s, %+v", n, run.Verdict, run.Findings)
		}
	}
}

func TestCardThatFailsIsUnfinishedWithStepAndPlace(t *testing.T) {
	cases := map[string]struct {
		traits     cardlab.Traits
		step       flash.Step
		offset     int64
		headStands bool // the card takes no more writes, so its head's place is as the clearing left it
	}{
		"write error":        {cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: 20 * mib, LengthBytes: 512}, Write: true}}}, flash.StepBody, 20 * mib, false},
		"gone while writing": {cardlab.Traits{GoneAfter: cardlab.After{WrittenBytes: 10 * mib}}, flash.StepBody, 12 * mib, false},
		"gone while reading": {cardlab.Traits{GoneAfter: cardlab.After{ReadBytes: 10 * mib}}, flash.StepProof, 12 * mib, false},
		"read-only":          {cardlab.Traits{ReadOnlyAfterBytes: 10 * mib}, flash.StepBody, 12 * mib, false},
		"no write at all":    {cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{LengthBytes: 64 * mib}, Write: true}}}, flash.StepClear, 0, true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			run, card := flashOne(t, orchardImage(), c.traits)
			if run.Verdict != logbook.Unfinished || run.Error == nil || run.Error.Class != logbook.ClassCard ||
				run.Error.Step != c.step || run.Error.OffsetBytes != c.offset {
				t.Errorf("verdict %s, error %+v", run.Verdict, run.Error)
			}
			if headIsClear(card) == c.headStands {
				t.Errorf("head clear is %v", headIsClear(card))
			}
		})
	}
}

func TestBadSourceEndsEveryCard(t *testing.T) {
	cause := errors.New("rotten")
	image := &heldImage{Reader: io.MultiReader(bytes.NewReader(orchardImage()[:20*mib]), iotest.ErrReader(cause))}
	one, first := target(t, cardlab.Traits{})
	two, second := target(t, cardlab.Traits{})
	result := job.Flash(t.Context(), image, []job.Target{one, two}, job.Options{})
	for i, card := range []*cardlab.Card{first, second} {
		run := result.Cards[i]
		if run.Verdict != logbook.Unfinished || run.Error.Class != logbook.ClassSource || run.Error.Step != flash.StepSource {
			t.Errorf("%s, %+v", run.Verdict, run.Error)
		}
		if !headIsClear(card) {
			t.Error("the card kept a head")
		}
	}
}

func TestImageTooLargeForOneCardTouchesNone(t *testing.T) {
	small, smallCard := target(t, cardlab.Traits{SizeBytes: 16 * mib})
	large, largeCard := target(t, cardlab.Traits{})
	result := job.Flash(t.Context(), held(orchardImage()), []job.Target{large, small}, job.Options{})
	for i := range result.Cards {
		if result.Cards[i].Verdict != logbook.Refused || result.Cards[i].Error.Class != logbook.ClassRefused {
			t.Errorf("%+v", result.Cards[i])
		}
	}
	if smallCard.Counts().Operations+largeCard.Counts().Operations != 0 {
		t.Error("a card was touched")
	}
	<-result.Rest // nothing is going on, and nobody waits for it in vain
	image := held(orchardImage())
	image.declared = 0
	run := job.Flash(t.Context(), image, []job.Target{small}, job.Options{}).Cards[0]
	if run.Verdict != logbook.Unfinished || run.Error.Class != logbook.ClassSource || run.Error.Step != flash.StepBody ||
		run.Error.OffsetBytes != 16*mib || !headIsClear(smallCard) {
		t.Errorf("of unknown size: %s, %+v", run.Verdict, run.Error)
	}
}

// A reader that counts what it is asked, and sees how far its card was then.
type reader struct {
	card    *cardlab.Card
	refusal error
	asked   []string
}

func (s *reader) Recheck() error {
	s.note("recheck")
	return s.refusal
}

func (s *reader) RereadTable() error {
	s.note("reread")
	return nil
}

func (s *reader) note(what string) {
	if s.card.Counts().WrittenBytes == 0 {
		what += " untouched"
	}
	s.asked = append(s.asked, what)
}

func TestReaderIsAskedBeforeTheFirstWriteAndTheKernelOnceAtTheEnd(t *testing.T) {
	to, card := target(t, cardlab.Traits{})
	s := &reader{card: card}
	to.Reader = s
	result := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{})
	if diff := cmp.Diff([]string{"recheck untouched", "reread"}, s.asked); diff != "" {
		t.Error(diff)
	}
	if !result.Cards[0].Conditions.KernelRereadTable {
		t.Error("the run does not say that the kernel read the table again")
	}
}

func TestTargetThatIsNoLongerWhatWasJudgedRefusesAll(t *testing.T) {
	good, goodCard := target(t, cardlab.Traits{})
	swapped, swappedCard := target(t, cardlab.Traits{})
	good.Reader = &reader{card: goodCard}
	swapped.Reader = &reader{card: swappedCard, refusal: errors.New("another card was put in")}
	result := job.Flash(t.Context(), held(orchardImage()), []job.Target{good, swapped}, job.Options{})
	for _, run := range result.Cards {
		if run.Verdict != logbook.Refused || run.RunID != 0 {
			t.Errorf("%+v", run)
		}
	}
	if goodCard.Counts().Operations+swappedCard.Counts().Operations != 0 {
		t.Error("a card was touched")
	}
}

func TestLogbookThatFailsDoesNotStopTheCard(t *testing.T) {
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	to, _ := target(t, cardlab.Traits{})
	run := job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
	if run.Verdict != logbook.Intact || run.RunID != 0 || !told(run.Findings, "not-recorded") {
		t.Errorf("%s, run %d, findings %+v", run.Verdict, run.RunID, run.Findings)
	}
}

func told(findings []partition.Finding, code string) bool {
	for _, f := range findings {
		if f.Code == code {
			return true
		}
	}
	return false
}

func TestCheckProvesAgainAndWritesNothing(t *testing.T) {
	image := orchardImage()
	to, card := target(t, cardlab.Traits{})
	if run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]; run.Verdict != logbook.Intact {
		t.Fatalf("%+v", run)
	}
	written := card.Counts().WrittenBytes
	run := job.Check(t.Context(), held(image), to, job.Options{}).Cards[0]
	if run.Verdict != logbook.Intact || run.Proof.Bytes != int64(len(image)) || run.Operation != logbook.OperationCheck || run.Write != nil {
		t.Errorf("%+v", run)
	}
	spoiled := bytes.Clone(image)
	spoiled[20*mib] ^= 1
	run = job.Check(t.Context(), held(spoiled), to, job.Options{}).Cards[0]
	if run.Verdict != logbook.Damaged || len(run.Proof.Damage) != 1 || run.Proof.Damage[0].OffsetBytes != 20*mib ||
		!strings.Contains(run.Proof.Damage[0].Partition, "orchard") {
		t.Errorf("%s, %+v", run.Verdict, run.Proof)
	}
	if card.Counts().WrittenBytes != written {
		t.Error("a check wrote to the card")
	}
}

// Peers come from the logbook: five labelled cards of 80 MB/s, and then one of 16 MB/s.
func TestSlowCardIsBelowTheFiveBeforeIt(t *testing.T) {
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	var last logbook.Run
	for i, rate := range []int64{80e6, 80e6, 80e6, 80e6, 80e6, 16e6} {
		to, _ := target(t, cardlab.Traits{WriteBytesPerSecond: rate})
		to.Label = string(rune('A' + i))
		last = job.Flash(t.Context(), held(orchardImage()), []job.Target{to}, job.Options{Book: book}).Cards[0]
		if last.Verdict != logbook.Intact {
			t.Fatalf("%+v", last.Error)
		}
	}
	if last.Pace != flash.PaceBelowPeers || last.Conditions.PeersCount != 5 {
		t.Errorf("%s: %s (%+v)", last.Pace, last.PaceReason, last.Conditions)
	}
}

// A network's timeout calls itself a deadline that was exceeded; it is the source's, and nobody interrupted anything.
func TestTimeoutOfTheSourceIsNoInterrupt(t *testing.T) {
	image := &heldImage{Reader: io.MultiReader(
		bytes.NewReader(orchardImage()[:20*mib]), iotest.ErrReader(fmt.Errorf("dial: %w", context.DeadlineExceeded)),
	)}
	to, _ := target(t, cardlab.Traits{})
	run := job.Flash(t.Context(), image, []job.Target{to}, job.Options{}).Cards[0]
	if run.Error == nil || run.Error.Class != logbook.ClassSource || run.Error.Step != flash.StepSource {
		t.Errorf("%s, %+v", run.Verdict, run.Error)
	}
}
