package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
	"cardwright/partition"
	"cardwright/verify"
)

// A walk fails one operation of a card after the other: the first, in the next run the second, and so on until a run passes
// untouched. What must come of each follows from the order of a card's way, which the walker keeps track of by itself.

// walkedBytes is the length of the image: three blocks, the last one short and ending within a sector.
const (
	walkedBytes     = 2*flash.BlockBytes + 70_700
	walkedCardBytes = 10 << 20
)

// walkedImage repeats nowhere, and begins with a partition table.
func walkedImage() []byte {
	image := make([]byte, walkedBytes)
	_, _ = rand.NewChaCha8([32]byte{7}).Read(image) // documented never to fail
	clear(image[440:512])
	copy(image[446:], []byte{0, 0, 2, 0, 0x83, 0, 3, 0, 8, 0, 0, 0, 8})
	binary.LittleEndian.PutUint16(image[510:], 0xaa55)
	return image
}

// A plainImage is an image in memory, as a job wants it.
type plainImage struct{ io.Reader }

func (plainImage) Facts() source.Facts {
	return source.Facts{Name: "walk.img", Format: source.FormatRaw, Expected: source.Absent, PackedBytes: walkedBytes, ImageBytes: walkedBytes}
}

func (plainImage) DeclaredBytes() (int64, bool) { return walkedBytes, true }

// An ailment is one way in which an operation fails.
type ailment struct {
	name      string
	fault     cardlab.Fault
	strikes   []cardlab.OpKind
	interrupt bool // the operator presses ^C while the card hangs
}

func ailments() []ailment {
	write, read, flush := cardlab.OpWrite, cardlab.OpRead, cardlab.OpFlush
	all := []cardlab.OpKind{write, read, flush}
	return []ailment{
		{"write error", cardlab.FaultError, []cardlab.OpKind{write}, false},
		{"short write", cardlab.FaultShort, []cardlab.OpKind{write}, false},
		{"read error", cardlab.FaultError, []cardlab.OpKind{read}, false},
		{"flush error", cardlab.FaultError, []cardlab.OpKind{flush}, false},
		{"gone", cardlab.FaultGone, all, false},
		{"silent", cardlab.FaultHang, all, false},
		{"silent until interrupted", cardlab.FaultHang, all, true},
		{"read-only from now on", cardlab.FaultReadOnly, all, false},
	}
}

// leastOperations is how many operations of its kinds a flash or a check has at the least. Most of them are reads.
func (a ailment) leastOperations() int {
	if slices.Contains(a.strikes, cardlab.OpRead) {
		return 40
	}
	return 4
}

// A walker lets the nth of the operations fail that its ailment strikes.
type walker struct {
	ailment
	files   []project.File // the card's own
	nth     int
	free    []partition.Range // of the image, which are left out
	seen    int
	flushes int
	struck  *cardlab.Op
	step    flash.Step // in which it struck
	failed  *cardlab.Op
	proven  bool       // the body was, and the card's own files come next
	failing flash.Step // in which the card's first failure must be told: later than step where a card only turned read-only
}

func (w *walker) inject(op cardlab.Op) cardlab.Fault {
	step := w.stepOf(op)
	if op.Kind == cardlab.OpFlush {
		w.flushes++
	}
	// The body's proof ends with a look at the head's place; then come the files, up to a flush and the reads after it.
	w.proven = w.flushes == 2 && (w.proven || op.Kind == cardlab.OpRead && op.OffsetBytes == 0)
	if w.struck != nil && w.failed == nil && op.Kind == cardlab.OpWrite {
		w.failed, w.failing = &op, step // the first write to a card that turned read-only
	}
	if w.struck != nil || !slices.Contains(w.strikes, op.Kind) {
		return cardlab.FaultNone
	}
	w.seen++
	if w.seen <= w.nth {
		return cardlab.FaultNone
	}
	w.struck, w.step = &op, step
	if w.fault != cardlab.FaultReadOnly || op.Kind == cardlab.OpWrite {
		w.failed, w.failing = &op, step
	}
	return w.fault
}

// stepOf tells the step of a card that gets files of its own, which end with a flush more.
func (w *walker) stepOf(op cardlab.Op) flash.Step {
	flushes := w.flushes
	switch {
	case len(w.files) == 0:
	case w.proven || flushes == 3 && op.Kind == cardlab.OpRead:
		return flash.StepFiles
	case flushes > 2:
		flushes--
	}
	return stepAfter(flushes, op)
}

// stepAfter tells a step by the flushes before it: clearing ends with the first, the body with the second, the head with two
// more. Of what is read after them, blocks are the head's proof, and all smaller pieces the inspection.
func stepAfter(flushes int, op cardlab.Op) flash.Step {
	switch {
	case flushes == 0:
		return flash.StepClear
	case flushes == 1:
		return flash.StepBody
	case flushes == 2 && op.Kind == cardlab.OpRead:
		return flash.StepProof
	case flushes < 4 || op.LengthBytes > 64<<10:
		return flash.StepHead
	}
	return flash.StepInspect
}

// TestWalk flashes a card once for each operation that may fail.
func TestWalk(t *testing.T) {
	image, walked, report := walkedImage(), 0, ""
	for _, a := range ailments() {
		positions := a.walk(t, func(t *testing.T, w *walker) bool { return walkOnce(t, image, w) })
		walked += positions
		report += fmt.Sprintf("; %s %d", a.name, positions)
	}
	t.Logf("positions walked: %d%s", walked, report)
}

// walk lets each position fail in a run of its own, until a run passes untouched, and gives their number. In a short test it
// takes every ninth.
func (a ailment) walk(t *testing.T, once func(t *testing.T, w *walker) (passed bool)) (positions int) {
	t.Helper()
	step := 1
	if testing.Short() {
		step = 9
	}
	for nth, passed := 0, false; !passed && !t.Failed(); nth += step {
		synctest.Test(t, func(t *testing.T) { passed = once(t, &walker{ailment: a, nth: nth}) })
		if !passed {
			positions++
		}
	}
	if positions < a.leastOperations()/step {
		t.Errorf("%s: only %d positions", a.name, positions)
	}
	return positions
}

// begin gives a job its context, which the operator ends where the ailment is one of patience, and a logbook of its own.
func (w *walker) begin(t *testing.T) (context.Context, *logbook.Book) {
	t.Helper()
	book, err := logbook.Open(t.Context(), filepath.Join(t.TempDir(), "logbook.db"))
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(func() {
		cancel()
		if err := book.Close(); err != nil {
			t.Error(err)
		}
	})
	if w.interrupt {
		time.AfterFunc(30*time.Second, cancel)
	}
	return ctx, book
}

// walkOnce flashes one card and tells whether no fault struck it.
func walkOnce(t *testing.T, image []byte, w *walker) (passed bool) {
	t.Helper()
	ctx, book := w.begin(t)
	card := walkedCard(t)
	card.Inject(w.inject)
	to := job.Target{Card: card, Device: "walked", Files: w.files}
	result := job.Flash(ctx, plainImage{bytes.NewReader(image)}, []job.Target{to}, job.Options{Book: book, Free: w.free})
	run := result.Cards[0]
	card.Release()
	synctest.Wait()

	where := fmt.Sprintf("%s at operation %d of its kind (%+v)", w.name, w.nth, w.struck)
	w.expect(t, where, run, codeOfRuns(result.Cards))
	expectRecorded(t, where, book, run)
	expectOutsideKept(t, where, card)
	expectNoHead(t, where, card, withFiles(t, image, w.files, run.StartedAt), w, run)
	return w.struck == nil
}

func walkedCard(t *testing.T) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(cardlab.Traits{SizeBytes: walkedCardBytes, OldContent: true, Seed: 4, Discards: cardlab.DiscardNoise})
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// expect holds a run against what must come of the fault.
func (w *walker) expect(t *testing.T, where string, run logbook.Run, code exitCode) {
	t.Helper()
	switch {
	case w.failed == nil: // nothing struck, or the card turned read-only when all was written
		if run.Verdict != logbook.Intact || run.Error != nil || code != done {
			t.Errorf("%s: %s, %+v, exit code %d", where, run.Verdict, run.Error, code)
		}
		return
	case w.name == "read error" && w.struck.LengthBytes > 64<<10: // of a block, and the card answers elsewhere: damage
		block := w.struck.OffsetBytes / flash.BlockBytes
		want := []verify.Damage{{
			OffsetBytes: block * flash.BlockBytes, LengthBytes: min(flash.BlockBytes, walkedBytes-block*flash.BlockBytes),
			Kind: verify.KindUnreadable,
		}}
		ignored := cmpopts.IgnoreFields(verify.Damage{}, "Partition")
		if run.Verdict != logbook.Damaged || run.Error != nil || code != damaged || cmp.Diff(want, run.Proof.Damage, ignored) != "" {
			t.Errorf("%s: %s, %+v, %+v, exit code %d", where, run.Verdict, run.Error, run.Proof, code)
		}
		return
	case w.name == "read error" && run.Imprint == nil && hasFinding(run, "imprint-not-taken"): // it struck when all was proven
		if run.Verdict != logbook.Intact || run.Error != nil || code != done {
			t.Errorf("%s: %s, %+v, exit code %d", where, run.Verdict, run.Error, code)
		}
		return
	}
	class, wanted := logbook.ClassCard, cardFailed
	if w.interrupt {
		class, wanted = logbook.ClassInterrupted, interrupted
	}
	if run.Verdict != logbook.Unfinished || code != wanted || run.Error == nil || run.Error.Class != class || run.Error.Step != w.failing {
		t.Errorf("%s: %s, %+v, exit code %d; want step %s", where, run.Verdict, run.Error, code, w.failing)
		return
	}
	if w.failed.Kind != cardlab.OpFlush && run.Error.OffsetBytes != w.failed.OffsetBytes {
		t.Errorf("%s: told at byte %d", where, run.Error.OffsetBytes)
	}
}

func hasFinding(run logbook.Run, code string) bool {
	return slices.ContainsFunc(run.Findings, func(f partition.Finding) bool { return f.Code == code })
}

// expectRecorded expects the closed record to be what was told.
func expectRecorded(t *testing.T, where string, book *logbook.Book, run logbook.Run) {
	t.Helper()
	record, err := book.Show(context.Background(), run.RunID)
	if err != nil {
		t.Fatalf("%s: %v", where, err)
	}
	if diff := cmp.Diff(run, record.Run, cmpopts.EquateApproxTime(time.Microsecond), cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("%s: the record differs from the result (-printed +recorded):\n%s", where, diff)
	}
}

// expectOutsideKept expects that nothing changed but the image's own range, whole sectors of it, and both cleared ranges.
func expectOutsideKept(t *testing.T, where string, card *cardlab.Card) {
	t.Helper()
	const first, end = (walkedBytes + 511) / 512 * 512, walkedCardBytes - flash.ClearBytes
	if !bytes.Equal(card.Truth().Read(first, end-first), walkedCard(t).Truth().Read(first, end-first)) {
		t.Errorf("%s: what lies past the image was changed", where)
	}
	for _, span := range card.Truth().Asked() {
		if span.OffsetBytes < end && span.End() > first {
			t.Errorf("%s: bytes %d to %d were written", where, span.OffsetBytes, span.End())
		}
	}
}

// expectNoHead expects zeros in the head's place of a card that is not intact. Where it takes no more writes they cannot be
// put there: then the run says so, and what boots is at least proven.
func expectNoHead(t *testing.T, where string, card *cardlab.Card, image []byte, w *walker, run logbook.Run) {
	t.Helper()
	if run.Verdict == logbook.Intact {
		if !w.holds(card, image) {
			t.Errorf("%s: intact, and the card does not hold the image", where)
		}
		return
	}
	front := card.Truth().Read(0, flash.ClearBytes)
	writable := w.fault == cardlab.FaultError || w.fault == cardlab.FaultShort
	stands := bytes.Equal(front[:flash.LastBytes], image[:flash.LastBytes])
	told := hasFinding(run, "not-blanked")
	switch {
	case writable && !bytes.Equal(front, make([]byte, flash.ClearBytes)):
		t.Errorf("%s: the card's first 1 MiB is not zero", where)
	case stands && !told:
		t.Errorf("%s: the head stands, and nobody says so", where)
	case stands && !w.holds(card, image):
		t.Errorf("%s: the head stands before a body that is not", where)
	case !stands && w.failing != flash.StepClear && !bytes.Equal(front[:flash.LastBytes], make([]byte, flash.LastBytes)):
		t.Errorf("%s: an old boot sector stands", where)
	}
}

// TestWalkOfACheck fails one operation after the other of a check: none of them makes it intact, and nothing is ever written.
func TestWalkOfACheck(t *testing.T) {
	image, walked := walkedImage(), 0
	for _, a := range ailments() {
		if slices.Contains(a.strikes, cardlab.OpRead) { // a check does nothing else
			walked += a.walk(t, func(t *testing.T, w *walker) bool { return checkOnce(t, image, w) })
		}
	}
	t.Logf("positions walked in checks: %d", walked)
}

// checkOnce checks one card that holds the image, and tells whether no fault struck it.
func checkOnce(t *testing.T, image []byte, w *walker) (passed bool) {
	t.Helper()
	ctx, book := w.begin(t)
	card := walkedCard(t)
	buffer := flash.AlignedBuffer((walkedBytes + 511) / 512 * 512)
	copy(buffer, image)
	if _, err := card.WriteAt(buffer, 0); err != nil {
		t.Fatal(err)
	}
	before := card.Counts()
	card.Inject(w.inject)
	to := job.Target{Card: card, Device: "walked"}
	result := job.Check(ctx, plainImage{bytes.NewReader(image)}, to, job.Options{Book: book})
	run := result.Cards[0]
	card.Release()
	synctest.Wait()

	where := fmt.Sprintf("check, %s at operation %d of its kind (%+v)", w.name, w.nth, w.struck)
	if card.Counts().WrittenBytes != before.WrittenBytes {
		t.Errorf("%s: a check wrote", where)
	}
	w.expectChecked(t, where, run, codeOfRuns(result.Cards))
	expectRecorded(t, where, book, run)
	return w.struck == nil
}

// expectChecked holds a check against what must come of the fault. What was proven before the table could not be read stays
// proven; the card has failed all the same.
func (w *walker) expectChecked(t *testing.T, where string, run logbook.Run, code exitCode) {
	t.Helper()
	if w.failed == nil { // nothing struck, or what turned read-only is not written to
		if run.Verdict != logbook.Intact || run.Error != nil || code != done {
			t.Errorf("%s: %s, %+v, exit code %d", where, run.Verdict, run.Error, code)
		}
		return
	}
	ofProof := w.failed.LengthBytes > 64<<10
	if ofProof && w.fault == cardlab.FaultError {
		if run.Verdict != logbook.Damaged || run.Error != nil || code != damaged || len(run.Proof.Damage) != 1 ||
			run.Proof.Damage[0].OffsetBytes != w.failed.OffsetBytes || run.Proof.Damage[0].Kind != verify.KindUnreadable {
			t.Errorf("%s: %s, %+v, %+v, exit code %d", where, run.Verdict, run.Error, run.Proof, code)
		}
		return
	}
	step, class, wanted := flash.StepInspect, logbook.ClassCard, cardFailed
	if ofProof {
		step = flash.StepProof
	}
	if w.interrupt {
		class, wanted = logbook.ClassInterrupted, interrupted
	}
	if code != wanted || run.Error == nil || run.Error.Class != class || run.Error.Step != step ||
		run.Error.OffsetBytes != w.failed.OffsetBytes || ofProof && run.Verdict != logbook.Unfinished {
		t.Errorf("%s: %s, %+v, exit code %d; want step %s", where, run.Verdict, run.Error, code, step)
	}
}
