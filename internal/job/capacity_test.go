package job_test

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
)

// checkOf gives the only check of the card with this label, as the logbook holds it.
func checkOf(t *testing.T, book *logbook.Book, label string) logbook.CapacityRecord {
	t.Helper()
	card, err := book.CardByLabel(t.Context(), label)
	if err != nil {
		t.Fatal(err)
	}
	checks, err := book.CapacityChecks(t.Context(), card.CardID)
	if err != nil || len(checks) != 1 {
		t.Fatalf("%d checks, %v", len(checks), err)
	}
	return checks[0]
}

func TestCapacityIsRecordedAsItIsTold(t *testing.T) {
	const trueBytes = 24*mib + 512*5
	for _, mode := range []capacity.Mode{"", capacity.ModeQuick, capacity.ModeFull} {
		book, _ := newLogbook(t)
		to, card := target(t, cardlab.Traits{TrueSizeBytes: trueBytes, Beyond: cardlab.Drop})
		to.Label = "attic-07"
		before := card.Truth().Digest(0, trueBytes)
		run := job.Capacity(t.Context(), to, job.CapacityOptions{Book: book, Mode: mode, Folder: t.TempDir()})
		if run.Error != nil || run.Verdict != capacity.Short || run.TrueBytes == nil || *run.TrueBytes != trueBytes {
			t.Fatalf("%s: %+v, %+v", mode, run, run.Result)
		}
		if kept := card.Truth().Digest(0, trueBytes) == before; kept != (mode != capacity.ModeFull) {
			t.Errorf("%s: what the card held is still on it: %v", mode, kept)
		}
		check := checkOf(t, book, "attic-07")
		if !check.Closed || check.Verdict != "short" || check.TrueBytes == nil || *check.TrueBytes != trueBytes || check.CheckID != run.CheckID ||
			check.Mode != string(run.Mode) || check.CardID != run.CardID {
			t.Errorf("%s: the logbook says %+v", mode, check)
		}
		var document logbook.CapacityCheck
		if err := json.Unmarshal(check.Document, &document); err != nil || document.Verdict != run.Verdict {
			t.Errorf("%s: the document says %s, %v", mode, check.Document, err)
		}
	}
}

// TestInterruptedCapacityPutsBackFirst cancels a check in the middle of its stamps.
func TestInterruptedCapacityPutsBackFirst(t *testing.T) {
	book, _ := newLogbook(t)
	ctx, cancel := context.WithCancel(t.Context())
	to, card := target(t, cardlab.Traits{})
	to.Label = "attic-07"
	before, writes := card.Truth().Digest(0, card.SizeBytes()), 0
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpWrite {
			if writes++; writes == 20 {
				cancel()
			}
		}
		return cardlab.FaultNone
	})
	run := job.Capacity(ctx, to, job.CapacityOptions{Book: book, Folder: t.TempDir()})
	if run.Error == nil || run.Error.Class != logbook.ClassInterrupted {
		t.Fatalf("%+v", run.Error)
	}
	if writes < 40 || card.Truth().Digest(0, card.SizeBytes()) != before {
		t.Errorf("after %d writes the card does not hold what it held", writes)
	}
	if check := checkOf(t, book, "attic-07"); !check.Closed || check.Verdict != "" {
		t.Errorf("the logbook says %+v", check)
	}
}

// TestSilentCardIsGivenUp has the card leave a call unanswered in each kind of check.
func TestSilentCardIsGivenUp(t *testing.T) {
	for _, mode := range []capacity.Mode{capacity.ModeQuick, capacity.ModeFull} {
		folder := t.TempDir()
		synctest.Test(t, func(t *testing.T) {
			to, card := target(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 3 * mib}})
			began := time.Now()
			run := job.Capacity(t.Context(), to, job.CapacityOptions{Mode: mode, Folder: folder, StallLimit: 5 * time.Second})
			if run.Error == nil || run.Error.Class != logbook.ClassCard || run.Verdict != "" || run.TrueBytes != nil {
				t.Errorf("%s: %+v, %+v", mode, run.Error, run.Result)
			}
			// A quick check's stamps are on the card then, and only the next check can put back what was there.
			if told := run.Rescue != "" && run.Restored != nil && !*run.Restored; told != (mode == capacity.ModeQuick) {
				t.Errorf("%s: what the card held is told to be in %q", mode, run.Rescue)
			}
			if took := time.Since(began); took > 10*time.Second {
				t.Errorf("%s: it was given up after %v", mode, took)
			}
			card.Release() // its goroutine ends
			synctest.Wait()
		})
	}
}

// TestNextCapacityUndoesWhatAnEarlierOneLeft lets the first check end as a crash ends it: with a card that takes no more writes.
func TestNextCapacityUndoesWhatAnEarlierOneLeft(t *testing.T) {
	folder := t.TempDir()
	to, card := target(t, cardlab.Traits{})
	before, writes, cut := card.Truth().Digest(0, card.SizeBytes()), 0, true
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind != cardlab.OpWrite {
			return cardlab.FaultNone
		}
		if writes++; cut && writes > 20 {
			return cardlab.FaultGone
		}
		return cardlab.FaultNone
	})
	options := job.CapacityOptions{Folder: folder}
	if run := job.Capacity(t.Context(), to, options); run.Error == nil || run.Error.Class != logbook.ClassCard {
		t.Fatalf("%+v", run.Error)
	}
	cut = false
	card.Plug()
	run := job.Capacity(t.Context(), to, options)
	if run.Error != nil || run.Leftover == nil || len(run.Leftover.PutBack) != 1 || run.Verdict != capacity.True {
		t.Errorf("%+v, %+v, %+v", run, run.Leftover, run.Result)
	}
	if card.Truth().Digest(0, card.SizeBytes()) != before {
		t.Error("the card does not hold what it held before the first check")
	}
}

// What fails beside the card is not blamed on it, and the card is not written.
func TestCapacityBlamesNoCardForItsFolder(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, mode := range []capacity.Mode{capacity.ModeQuick, capacity.ModeFull} {
		to, card := target(t, cardlab.Traits{})
		run := job.Capacity(t.Context(), to, job.CapacityOptions{Folder: filepath.Join(file, "kept"), Mode: mode})
		if run.Error == nil || run.Error.Class != logbook.ClassProgram || run.Error.Step != capacity.StepCheck {
			t.Errorf("%s: %+v", mode, run.Error)
		}
		if asked := card.Truth().Asked(); len(asked) > 0 {
			t.Errorf("%s: %v was written", mode, asked)
		}
	}
}
