//go:build device

package e2e_test

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// smallStack is a stack of an image of 20 MiB.
func smallStack(t *testing.T) (s stack, image []byte) {
	t.Helper()
	image = killedImage()
	path := filepath.Join(t.TempDir(), "small.img")
	writeFile(t, path, image)
	return stackOf(t, path), image
}

// small is a blank card for it.
func small(t *testing.T, traits cardlab.Traits) *seated {
	t.Helper()
	traits.SizeBytes = killedCardBytes
	return emulated(t, traits)
}

// expectSmall expects a card to hold the image of a small stack.
func (s *seated) expectSmall(t *testing.T, image []byte) {
	t.Helper()
	if string(s.Truth().Read(0, len(image))) != string(image) {
		t.Errorf("%s: the card does not hold the image", s.path)
	}
	s.expectOutsideKept(t, int64(len(image)))
}

// TestBatchOverwritesOnlyItsBays has a card in a reader that is no bay, beside one that is. The kernel tells of every program
// that opens either node for writing (inotify(7): IN_CLOSE_WRITE).
func TestBatchOverwritesOnlyItsBays(t *testing.T) {
	s, image := smallStack(t)
	left, beside := bayNamed(t, "left"), bayNamed(t, "beside")
	card, other := small(t, cardlab.Traits{}), small(t, cardlab.Traits{OldContent: true, Seed: 8})
	before := other.Truth().Digest(0, killedCardBytes)
	beside.seat(t, other)
	left.seat(t, card)
	writers := watchWriters(t, left.Path(), beside.Path())
	b := s.begin(t, []*bay{left}, "--count", "1", "--overwrite-anything")
	for e := range b.events() {
		if e.Device == beside.Path() || e.Bay == beside.name {
			t.Errorf("the batch tells of a reader that is no bay: %+v", e)
		}
	}
	b.wait().expectCode(t, 0)
	card.expectSmall(t, image)
	other.expectUntouched(t)
	if other.Truth().Digest(0, killedCardBytes) != before {
		t.Error("the card beside the bay was changed")
	}
	if seen := writers(); seen[left.Path()] == 0 || seen[beside.Path()] > 0 {
		t.Errorf("opened for writing: %v", seen)
	}
}

// watchWriters counts from now on how often each of these files is closed that was open for writing.
func watchWriters(t *testing.T, paths ...string) (seen func() map[string]int) {
	t.Helper()
	fd, err := unix.InotifyInit1(unix.IN_CLOEXEC | unix.IN_NONBLOCK)
	if err != nil {
		t.Fatal(err)
	}
	watch := os.NewFile(uintptr(fd), "inotify")
	t.Cleanup(func() { _ = watch.Close() })
	names := map[int32]string{}
	for _, path := range paths {
		number, err := unix.InotifyAddWatch(fd, path, unix.IN_CLOSE_WRITE)
		if err != nil {
			t.Fatal(err)
		}
		names[int32(number)] = path
	}
	return func() map[string]int {
		counts := map[string]int{}
		buffer := make([]byte, 64<<10)
		n, err := unix.Read(fd, buffer)
		if err != nil {
			t.Fatalf("the kernel told of no file that was written to: %v", err)
		}
		for at := 0; at+unix.SizeofInotifyEvent <= n; at += unix.SizeofInotifyEvent + int(binary.NativeEndian.Uint32(buffer[at+12:])) {
			counts[names[int32(binary.NativeEndian.Uint32(buffer[at:]))]]++
		}
		return counts
	}
}

// TestHangingCardDelaysNoOtherBay has a card that answers no more, in one of two bays. It is given up within the limit, and the
// other bay's cards are done before anybody takes it out.
func TestHangingCardDelaysNoOtherBay(t *testing.T) {
	const limit, wanted = 4 * time.Second, 3
	s, image := smallStack(t)
	left, right := bayNamed(t, "left"), bayNamed(t, "right")
	silent := small(t, cardlab.Traits{SilentAfter: cardlab.After{WrittenBytes: 12 * mib}})
	t.Cleanup(silent.Release) // or else a test that fails would wait for ever
	left.seat(t, silent)
	b := s.begin(t, []*bay{left, right}, "--count", "3", "--stall-limit", limit.String())
	var cards []*seated
	seatAnother := func() {
		if len(cards) < wanted {
			cards = append(cards, small(t, cardlab.Traits{}))
			right.seat(t, cards[len(cards)-1])
		}
	}
	var began, givenUp time.Time
	doneMeanwhile := 0
	for e := range b.events() {
		switch {
		case e.Event == "begun":
			seatAnother()
		case e.Bay == "left" && e.Event == "started":
			began = time.Now()
		case e.Bay == "left" && e.Event == "finished":
			givenUp = time.Now()
			if e.Run.Verdict != "unfinished" || e.Run.Error == nil || e.Run.Error.Step != "body" {
				t.Errorf("the silent card is told as %s, %+v", e.Run.Verdict, e.Run.Error)
			}
		case e.Bay == "right" && e.Event == "finished":
			if givenUp.IsZero() {
				doneMeanwhile++
			}
			right.pull(t)
			seatAnother()
		case e.Event == "ended":
			if e.Totals.Intact != wanted || e.Totals.Failed != 1 {
				t.Errorf("the totals are %+v", e.Totals)
			}
			silent.Release() // the program is done but for the call that hangs
		}
	}
	b.wait().expectCode(t, 5)
	// From its turn on: up to 12 MiB were written before it fell silent, and a machine that others use may take its time.
	if took := givenUp.Sub(began); took < limit || took > limit+10*time.Second {
		t.Errorf("the silent card was given up after %v", took)
	}
	if doneMeanwhile == 0 {
		t.Error("no card of the other bay was done while the silent one was waited for")
	}
	for _, card := range cards {
		card.expectSmall(t, image)
	}
	silent.expectNoHead(t)
	t.Logf("MEASURED %d of %d cards were done beside a silent one, which was given up after %v", doneMeanwhile, wanted, givenUp.Sub(began))
}

// TestBatchInterrupts presses ^C while a card is written: once, and it is finished; twice, and it is stopped.
func TestBatchInterrupts(t *testing.T) {
	for _, c := range []struct {
		name     string
		twice    bool
		more     []string
		verdict  string
		wantCode int
	}{
		{"once", false, nil, "intact", 0},
		{"once, with cards wanted", false, []string{"--count", "2"}, "intact", 130},
		{"twice", true, nil, "unfinished", 130},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, image := smallStack(t)
			left, card := bayNamed(t, "left"), small(t, cardlab.Traits{WriteBytesPerSecond: 5_000_000})
			reached := card.reaches(blockOf(2))
			left.seat(t, card)
			b := s.begin(t, []*bay{left}, c.more...)
			b.until("started", "left")
			await(t, reached)
			press(t, b)
			b.until("ending", "")
			pressed := time.Now()
			if c.twice {
				press(t, b)
			}
			finished := b.until("finished", "left")
			took := time.Since(pressed)
			b.until("ended", "")
			b.wait().expectCode(t, c.wantCode)
			if finished.Run.Verdict != c.verdict {
				t.Errorf("the card is told as %s, %+v", finished.Run.Verdict, finished.Run.Error)
			}
			if c.twice {
				if card.expectNoHead(t); took > 3*time.Second {
					t.Errorf("the card was stopped after %v", took)
				}
				return
			}
			card.expectSmall(t, image)
		})
	}
}

// press sends what the terminal sends on ^C.
func press(t *testing.T, b *batching) {
	t.Helper()
	if err := b.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
}

// await waits for a card to get so far.
func await(t *testing.T, reached <-chan struct{}) {
	t.Helper()
	select {
	case <-reached:
	case <-time.After(longestRun):
		t.Fatal("the card is not written")
	}
}
