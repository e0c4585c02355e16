package capacity_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// crashedCard gives a card of 1 MiB full of stamps, and the options of the check that was cut off.
func crashedCard(t *testing.T, seed uint64, mark capacity.Mark) (*cardlab.Card, capacity.Options) {
	t.Helper()
	card := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true, Seed: seed})
	o := options(t, card)
	o.Card, o.Meter = mark, new(capacity.Meter)
	card.Inject(func(cardlab.Op) cardlab.Fault {
		if o.Meter.Look().Phase == "putting back" {
			return cardlab.FaultGone
		}
		return cardlab.FaultNone
	})
	if _, err := capacity.Quick(t.Context(), card, o); !errors.Is(err, flash.ErrGone) {
		t.Fatal(err)
	}
	card.Plug()
	card.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultNone })
	return card, o
}

// TestAnotherCardIsNotWritten offers a rescue to cards that it is not of.
func TestAnotherCardIsNotWritten(t *testing.T) {
	t.Parallel()
	mark := capacity.Mark{CID: "aa", SizeBytes: mib}
	for name, c := range map[string]struct {
		sizeBytes int64
		cid       string
		told      bool
	}{
		"OfTheSameSize":       {mib, "", true},
		"WithTheSameIdentity": {mib, "AA", true},
		"WithAnotherIdentity": {mib, "bb", false},
		"OfAnotherSize":       {2 * mib, "AA", false},
	} {
		t.Run(name, func(t *testing.T) {
			_, o := crashedCard(t, 1, mark)
			other := newCard(t, cardlab.Traits{SizeBytes: c.sizeBytes, OldContent: true, Seed: 2})
			o.Card = capacity.Mark{CID: c.cid, SizeBytes: c.sizeBytes}
			left, err := capacity.RestoreLeftover(t.Context(), other, o)
			if err != nil || (left != nil) != c.told || c.told && len(left.Elsewhere) != 1 {
				t.Errorf("%+v, %v", left, err)
			}
			if other.Counts().WrittenBytes > 0 || len(rescues(t, o.Folder)) != 1 {
				t.Errorf("%d bytes written, rescues %v", other.Counts().WrittenBytes, rescues(t, o.Folder))
			}
		})
	}
}

// TestAReaderWithLargerSectorsDeletesNoRescue seats the card where single small sectors cannot be written.
func TestAReaderWithLargerSectorsDeletesNoRescue(t *testing.T) {
	card, o := crashedCard(t, 1, capacity.Mark{})
	left, err := capacity.RestoreLeftover(t.Context(), sectorCard{card, 4096, 0}, o)
	if err != nil || len(left.NotWhole) != 1 || len(rescues(t, o.Folder)) != 1 {
		t.Fatalf("%+v, %v", left, err)
	}
	if left, err = capacity.RestoreLeftover(t.Context(), card, o); err != nil || len(left.PutBack) != 1 {
		t.Fatalf("%+v, %v", left, err)
	}
	expectSame(t, card)
}

// TestWhatOthersWroteSinceStays has a system write to the card after the crash.
func TestWhatOthersWroteSinceStays(t *testing.T) {
	card, o := crashedCard(t, 1, capacity.Mark{SizeBytes: mib})
	const at = 4096
	own := flash.AlignedBuffer(512)
	copy(own, "a file that somebody saved")
	if _, err := card.WriteAt(own, at); err != nil {
		t.Fatal(err)
	}
	left, err := capacity.RestoreLeftover(t.Context(), card, o)
	if err != nil || len(left.NotWhole) != 1 || len(left.Left) != 1 || left.Left[0].OffsetBytes != at {
		t.Fatalf("%+v, %v", left, err)
	}
	fresh := newCard(t, card.Traits()).Truth().Read(0, mib)
	copy(fresh[at:], own)
	if !bytes.Equal(card.Truth().Read(0, mib), fresh) {
		t.Error("not all but that sector is as it was")
	}
	if len(rescues(t, o.Folder)) != 1 {
		t.Error("the rescue, which still holds something, is gone")
	}
}

// TestWhatOthersWroteSinceIsToldAsOneRange has half of the zone written anew, as a flash does: a list of every sector would be as long as
// the zone is.
func TestWhatOthersWroteSinceIsToldAsOneRange(t *testing.T) {
	card, o := crashedCard(t, 1, capacity.Mark{})
	if _, err := card.WriteAt(bytes.Repeat([]byte("new "), mib/8/4), 0); err != nil {
		t.Fatal(err)
	}
	left, err := capacity.RestoreLeftover(t.Context(), card, o)
	if err != nil || len(left.NotWhole) != 1 {
		t.Fatalf("%+v, %v", left, err)
	}
	if want := []capacity.Range{{LengthBytes: mib / 8, Kind: capacity.Changed, FromBytes: -1}}; !slices.Equal(left.Left, want) {
		t.Errorf("%d ranges, the first %+v; want %+v", len(left.Left), left.Left[0], want)
	}
}

// TestTwoInterruptedChecksAreUndoneInReverse has the second keep the stamps of the first.
func TestTwoInterruptedChecksAreUndoneInReverse(t *testing.T) {
	card, o := crashedCard(t, 1, capacity.Mark{SizeBytes: mib})
	second := o
	second.Meter = new(capacity.Meter)
	card.Inject(func(cardlab.Op) cardlab.Fault {
		if second.Meter.Look().Phase == "reading back" {
			return cardlab.FaultGone
		}
		return cardlab.FaultNone
	})
	if _, err := capacity.Quick(t.Context(), card, second); !errors.Is(err, flash.ErrGone) {
		t.Fatal(err)
	}
	card.Plug()
	card.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultNone })
	left, err := capacity.RestoreLeftover(t.Context(), card, o)
	if err != nil || len(left.PutBack) != 2 {
		t.Fatalf("%+v, %v", left, err)
	}
	expectSame(t, card)
	expectNoFiles(t, o.Folder)
}

// TestARescueInUseIsLeftAlone looks for leftovers while a check is under way.
func TestARescueInUseIsLeftAlone(t *testing.T) {
	t.Parallel()
	card := newCard(t, cardlab.Traits{SizeBytes: mib, OldContent: true})
	other := newCard(t, cardlab.Traits{SizeBytes: mib})
	o := options(t, card)
	looked := 0
	o = o.Before(func(call string) error {
		if call == "make" || call == "create" {
			return nil
		}
		looked++
		left, err := capacity.RestoreLeftover(t.Context(), other, options(t, other))
		if left != nil || err != nil {
			t.Errorf("another folder: %+v, %v", left, err)
		}
		there := options(t, other)
		there.Folder = o.Folder
		left, err = capacity.RestoreLeftover(t.Context(), other, there)
		if err != nil || left == nil || len(left.InUse) != 1 {
			t.Errorf("%s: %+v, %v", call, left, err)
		}
		return nil
	})
	if got, err := capacity.Quick(t.Context(), card, o); err != nil || !*got.Restored {
		t.Fatalf("%+v, %v", got, err)
	}
	if looked < 4 || other.Counts().WrittenBytes > 0 {
		t.Errorf("looked %d times, wrote %d bytes", looked, other.Counts().WrittenBytes)
	}
	expectSame(t, card)
}

// TestRottenPartsAreNotPutBack damages one content within the file.
func TestRottenPartsAreNotPutBack(t *testing.T) {
	card, o := crashedCard(t, 1, capacity.Mark{SizeBytes: mib})
	name := rescues(t, o.Folder)[0]
	file, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	file[len(file)-1] ^= 1 // of the last part, which is the card's last sector
	if err := os.WriteFile(name, file, 0o600); err != nil {
		t.Fatal(err)
	}
	left, err := capacity.RestoreLeftover(t.Context(), card, o)
	if err != nil || len(left.PutBack) != 0 || len(left.NotWhole) != 1 {
		t.Errorf("%+v, %v", left, err)
	}
	was := newCard(t, card.Traits()).Truth().Read(0, mib-512)
	if !bytes.Equal(card.Truth().Read(0, mib-512), was) {
		t.Error("the sound parts are not back")
	}
	if bytes.Equal(card.Truth().Read(mib-512, 512), newCard(t, card.Traits()).Truth().Read(mib-512, 512)) {
		t.Error("the rotten part was put back")
	}
}

// TestWhatIsNoRescueStays has files of other kinds in the folder, which the operator may have named: only what bears a name as rescues
// do is looked into, and deleted where it is too short to be one.
func TestWhatIsNoRescueStays(t *testing.T) {
	card := newCard(t, cardlab.Traits{SizeBytes: mib})
	o := options(t, card)
	named := func(letter string) string { return "rescue-" + strings.Repeat(letter, 26) }
	const mine = "rescue-notes.txt"
	for name, content := range map[string][]byte{
		"other": nil, mine: []byte("mine"), "rescue-": nil, named("e"): nil,
		named("L"): bytes.Repeat([]byte("x"), 8192), named("T"): []byte("cdwk"), named("E"): nil,
	} {
		if err := os.WriteFile(filepath.Join(o.Folder, name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(
		os.Symlink(mine, filepath.Join(o.Folder, named("S"))), os.Mkdir(filepath.Join(o.Folder, named("D")), 0o700),
	); err != nil {
		t.Fatal(err)
	}
	left, err := capacity.RestoreLeftover(t.Context(), card, o)
	damaged := []string{filepath.Join(o.Folder, named("L"))}
	if left == nil || !slices.Equal(left.Unreadable, damaged) || len(left.Elsewhere) > 0 || err != nil || card.Counts().Operations > 0 {
		t.Errorf("%+v, %v", left, err)
	}
	got := rescues(t, o.Folder)
	for i := range got {
		got[i] = filepath.Base(got[i])
	}
	if want := []string{"rescue-", named("D"), named("L"), named("S"), named("e"), mine}; !slices.Equal(got, want) {
		t.Errorf("rescues %q, want %q", got, want)
	}
	o.Folder = filepath.Join(o.Folder, "missing")
	if left, err := capacity.RestoreLeftover(t.Context(), card, o); left != nil || err != nil {
		t.Errorf("%+v, %v", left, err)
	}
}
