//go:build device

package device_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/device"

	"golang.org/x/sys/unix"
)

// place makes an empty reader of the card lab and a bay for it.
func place(t *testing.T) (*blockdev.Reader, *device.Bay) {
	t.Helper()
	reader, err := blockdev.NewReader(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := reader.Close(); err != nil {
			t.Error(err)
		}
	})
	bay, err := device.BindBay(linkTo(t, reader.Path()), device.Roots{})
	if err != nil {
		t.Fatal(err)
	}
	if bay.Place() != reader.Path() {
		t.Errorf("the reader %s is the bay %s", reader.Path(), bay.Place())
	}
	return reader, bay
}

// seatNew seats a card of this size and gives what the bay shows.
func seatNew(t *testing.T, reader *blockdev.Reader, bay *device.Bay, sizeBytes int64) device.Seat {
	t.Helper()
	card, err := cardlab.New(cardlab.Traits{SizeBytes: sizeBytes})
	if err != nil {
		t.Fatal(err)
	}
	if err := reader.Seat(t.Context(), card); err != nil {
		t.Fatal(err)
	}
	return look(t, bay)
}

func pull(t *testing.T, reader *blockdev.Reader) {
	t.Helper()
	if err := errors.Join(reader.Pull(), reader.Empty(t.Context())); err != nil {
		t.Fatal(err)
	}
}

func openBay(t *testing.T, bay *device.Bay, seen device.Seat) *device.Card {
	t.Helper()
	c, err := bay.Open(t.Context(), seen, fixed)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func TestLiveBayTellsCardFromCard(t *testing.T) {
	reader, bay := place(t)
	if got := look(t, bay); got.Present || got.Node != reader.Path() || got.Number != numberOf(t, reader.Path()) {
		t.Errorf("an empty reader: %+v", got)
	}
	// As fast as no hand is, and all of one size: only the count tells the cards apart.
	var before device.Seat
	for i := range 5 {
		now := seatNew(t, reader, bay, liveBytes)
		if !now.Present || now.SizeBytes != liveBytes || now.Seq <= before.Seq {
			t.Errorf("card %d: %+v after %+v", i, now, before)
		}
		if i > 0 {
			before.Seq = now.Seq
			if now != before {
				t.Errorf("card %d: more than the count differs: %+v, %+v", i, now, before)
			}
		}
		before = now
		pull(t, reader)
		if gone := look(t, bay); gone.Present || gone.Seq != 0 {
			t.Errorf("card %d was pulled: %+v", i, gone)
		}
	}
}

func TestLiveBayOpensOnlyWhatWasSeen(t *testing.T) {
	reader, bay := place(t)
	_, err := bay.Open(t.Context(), look(t, bay), fixed)
	refusedFor(t, err, device.ErrNotAllowed, "no card in it")
	first := seatNew(t, reader, bay, liveBytes)
	_, err = bay.Open(t.Context(), first, device.Options{})
	refusedFor(t, err, device.ErrNotAllowed, "fixed disk (loop)")
	c := openBay(t, bay, first)
	if c.Seq() != first.Seq || c.SizeBytes() != liveBytes || c.Description().Node != reader.Path() {
		t.Errorf("count %d, %+v", c.Seq(), c.Description())
	}
	if err := errors.Join(c.Recheck(), c.Close()); err != nil {
		t.Fatal(err)
	}
	pull(t, reader)
	_, err = bay.Open(t.Context(), first, fixed)
	refusedFor(t, err, device.ErrChanged, "no card in it any more")
	second := seatNew(t, reader, bay, liveBytes)
	_, err = bay.Open(t.Context(), first, fixed)
	refusedFor(t, err, device.ErrChanged, "changed since it was seen")
	mount(t, openBayNode(t, bay, second))
	_, err = bay.Open(t.Context(), look(t, bay), fixed)
	refusedFor(t, err, device.ErrNotAllowed, "is mounted at")
}

// openBayNode opens the card, closes it again and gives its node.
func openBayNode(t *testing.T, bay *device.Bay, seen device.Seat) string {
	t.Helper()
	c := openBay(t, bay, seen)
	if err := c.Close(); err != nil {
		t.Fatal(err)
	}
	return c.Description().Node
}

// portBay is a live disk that an invented device tree calls a card in a USB reader, and its bay.
func portBay(t *testing.T) (told, *device.Bay) {
	t.Helper()
	of := tellOf(t, "")
	node := filepath.Join(of.roots.Dev, "sdb")
	relayNode(t, node, numberOf(t, of.node))
	bay, err := device.BindBay(node, of.roots)
	if err != nil {
		t.Fatal(err)
	}
	if bay.Place() != "1-2" {
		t.Errorf("its place is %s", bay.Place())
	}
	return of, bay
}

// relayNode makes a node lead to another disk.
func relayNode(t *testing.T, node string, number device.DevNumber) {
	t.Helper()
	if err := os.Remove(node); err != nil {
		t.Fatal(err)
	}
	if err := unix.Mknod(node, unix.S_IFBLK|0o600, int(unix.Mkdev(number.Major, number.Minor))); err != nil {
		t.Fatal(err)
	}
}

func TestLiveBayHoldsThePort(t *testing.T) {
	of, bay := portBay(t)
	seen := look(t, bay)
	c := openBay(t, bay, seen)
	if err := c.Recheck(); err != nil {
		t.Fatal(err)
	}
	disk := func(port, name, number, folder string) string {
		return "disk " + name + " " + number + " pci0000:00/0000:00:14.0/usb1/" + port + "/" + port + ":1.0/" + folder +
			"/block/" + name + " removable=1 size=" + strconv.FormatInt(seen.SizeBytes/512, 10) + " diskseq=" + strconv.FormatUint(seen.Seq, 10)
	}
	const here, twin = "host6/target6:0:0/6:0:0:0", "host7/target7:0:0/7:0:0:0"
	own := disk("1-2", "sdb", seen.Number.String(), here) + "\nattr device/serial SN0001"
	of.become(t, own)
	if err := c.Recheck(); err != nil {
		t.Fatalf("nothing changed: %v", err)
	}
	of.become(t, disk("1-3", "sdb", seen.Number.String(), here)+"\nattr device/serial SN0001")
	refusedFor(t, c.Recheck(), device.ErrChanged, "sdb is not at 1-2")
	of.become(t, own, disk("1-2", "sdc", "8:32", twin))
	refusedFor(t, c.Recheck(), device.ErrChanged, "sdb and sdc are there")
	of.become(t, own, "attr diskseq 999999")
	refusedFor(t, c.Recheck(), device.ErrChanged, "the card was changed since it was seen")
}

// TestLiveBayIsNotLedAstray has a node that leads to the card of another reader, which the bay must not touch.
func TestLiveBayIsNotLedAstray(t *testing.T) {
	of, bay := portBay(t)
	seen := look(t, bay)
	other, _ := attach(t)
	s, err := device.ReadSnapshot(device.Roots{})
	if err != nil {
		t.Fatal(err)
	}
	number := numberOf(t, other)
	of.lines(t, "disk sdc "+number.String()+" "+usbOther+"sdc removable=1 size="+strconv.Itoa(liveBytes/512)+
		" diskseq="+strconv.FormatUint(s.DiskByNumber(number).DiskSeq, 10))
	relayNode(t, filepath.Join(of.roots.Dev, "sdb"), number)
	_, err = bay.Open(t.Context(), seen, device.Options{})
	refusedFor(t, err, device.ErrChanged, "sdc is not at 1-2")
	// Named by the operator, and not as what is in the bay, it is a card like any other.
	openLive(t, filepath.Join(of.roots.Dev, "sdb"), device.Options{Roots: of.roots})
}

// TestLiveRecheckSeesTheGroundExchanged changes the file under an open descriptor, which loop devices for reading allow
// (loop(4)): the number and the size stay.
func TestLiveRecheckSeesTheGroundExchanged(t *testing.T) {
	const loopChangeFd = 0x4c06 // LOOP_CHANGE_FD of linux/loop.h
	node, _ := attach(t, "--read-only")
	c := openLive(t, node, device.Options{ReadOnly: true})
	if err := c.Recheck(); err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(cardFile(t, liveBytes))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	loop, err := os.Open(node)
	if err != nil {
		t.Fatal(err)
	}
	defer loop.Close()
	if err := unix.IoctlSetInt(int(loop.Fd()), loopChangeFd, int(file.Fd())); err != nil {
		t.Fatal(err)
	}
	refusedFor(t, c.Recheck(), device.ErrChanged, "media count was")
}

// TestLiveChangesFire seats and pulls; loop devices tell of both.
func TestLiveChangesFire(t *testing.T) {
	reader, bay := place(t)
	ctx, cancel := context.WithCancel(t.Context())
	changes, err := device.Changes(ctx)
	if err != nil {
		t.Fatal(err)
	}
	// What others on this machine do is told, too: a change is one reason to look, and the bay tells what it was.
	expect := func(what string, present bool) {
		t.Helper()
		timeout := time.After(5 * time.Second)
		for {
			select {
			case _, open := <-changes:
				if !open {
					t.Fatalf("%s: the channel was closed", what)
				}
				if look(t, bay).Present == present {
					return
				}
			case <-timeout:
				t.Fatalf("%s: nothing was told", what)
			}
		}
	}
	drain := func() {
		select {
		case <-changes:
		default:
		}
	}
	for range 3 {
		drain()
		seatNew(t, reader, bay, liveBytes)
		expect("seated", true)
		drain()
		pull(t, reader)
		expect("pulled", false)
	}
	cancel()
	for range changes { // until it is closed
	}
	if _, err := device.Changes(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("after the end: %v", err)
	}
}
