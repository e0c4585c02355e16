package device_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/device"
)

// usbFolder is where a unit of a USB reader stands in the kernel's tree.
const (
	usbFolder = "pci0000:00/0000:00:14.0/usb1/1-2/1-2.3/1-2.3:1.0/host6/target6:0:0/6:0:0:0/block/"
	usbUnit1  = "pci0000:00/0000:00:14.0/usb1/1-2/1-2.3/1-2.3:1.0/host6/target6:0:0/6:0:0:1/block/"
	usbOther  = "pci0000:00/0000:00:14.0/usb1/1-2/1-2.4/1-2.4:1.0/host7/target7:0:0/7:0:0:0/block/"
	mmcFolder = "platform/soc/3f300000.mmc/mmc_host/mmc1/mmc1:0001/block/"
)

var (
	sdb = device.DevNumber{Major: 8, Minor: 16}
	sdc = device.DevNumber{Major: 8, Minor: 32}
)

// machine lays out the system's disk and what else the lines say.
func machine(t *testing.T, lines ...string) *tree {
	t.Helper()
	return layOutLines(t, "include system\n"+strings.Join(lines, "\n"))
}

// become gives a tree the disks of another one, as when readers are plugged in anew.
func (b *tree) become(t *testing.T, lines ...string) {
	t.Helper()
	other := machine(t, lines...)
	sys := filepath.Join(b.base, "sys")
	if err := errors.Join(os.RemoveAll(sys), os.CopyFS(sys, os.DirFS(filepath.Join(other.base, "sys")))); err != nil {
		t.Fatal(err)
	}
}

func bind(t *testing.T, b *tree, number device.DevNumber) *device.Bay {
	t.Helper()
	bay, err := device.BindNumber("/dev/given", number, b.roots)
	if err != nil {
		t.Fatal(err)
	}
	return bay
}

func look(t *testing.T, bay *device.Bay) device.Seat {
	t.Helper()
	seat, err := bay.Look()
	if err != nil {
		t.Fatal(err)
	}
	return seat
}

// refusedFor fails unless the error is a refusal with this reason and sentinel.
func refusedFor(t *testing.T, err error, want error, reason string) {
	t.Helper()
	var r *device.Refusal
	if !errors.As(err, &r) || !errors.Is(err, want) || !strings.Contains(strings.Join(r.Reasons, "; "), reason) {
		t.Errorf("%v (%T) is no refusal for %q that wraps %v", err, err, reason, want)
	}
}

func TestBayIsThePortNotTheNode(t *testing.T) {
	b := machine(t, "disk sdb 8:16 "+usbFolder+"sdb size=62333952 removable=1 diskseq=20")
	bay := bind(t, b, sdb)
	want := device.Seat{Present: true, Seq: 20, Number: sdb, Node: filepath.Join(b.roots.Dev, "sdb"), SizeBytes: 62333952 * 512}
	if got := look(t, bay); got != want || bay.Place() != "1-2.3" {
		t.Fatalf("at %s: %+v; want %+v", bay.Place(), got, want)
	}
	// The reader was plugged in anew; another one has its name now.
	b.become(t,
		"disk sdb 8:16 "+usbOther+"sdb size=1000000 removable=1 diskseq=30",
		"disk sdc 8:32 "+usbFolder+"sdc size=2000000 removable=1 diskseq=31")
	moved := device.Seat{Present: true, Seq: 31, Number: sdc, Node: filepath.Join(b.roots.Dev, "sdc"), SizeBytes: 2000000 * 512}
	if got := look(t, bay); got != moved {
		t.Errorf("the reader under another name: %+v; want %+v", got, moved)
	}
	_, err := bay.Open(t.Context(), want, device.Options{})
	refusedFor(t, err, device.ErrChanged, "changed since it was seen")
	// The reader is unplugged; the other one is no business of this bay.
	b.become(t, "disk sdb 8:16 "+usbOther+"sdb size=1000000 removable=1 diskseq=30")
	if got := look(t, bay); got != (device.Seat{}) {
		t.Errorf("an unplugged reader: %+v", got)
	}
	_, err = bay.Open(t.Context(), want, device.Options{})
	refusedFor(t, err, device.ErrChanged, "no card in it any more")
}

func TestBayIsOneUnitOfAReader(t *testing.T) {
	b := machine(t,
		"disk sdb 8:16 "+usbFolder+"sdb size=62333952 removable=1 diskseq=20",
		"disk sdc 8:32 "+usbUnit1+"sdc size=0 removable=1 diskseq=21")
	first, second := bind(t, b, sdb), bind(t, b, sdc)
	if first.Place() != "1-2.3" || second.Place() != "1-2.3:lun1" {
		t.Errorf("the places are %s and %s", first.Place(), second.Place())
	}
	if !look(t, first).Present || look(t, second).Present {
		t.Error("a card is told in the wrong slot")
	}
	// Both units change their names.
	b.become(t,
		"disk sdc 8:32 "+usbFolder+"sdc size=0 removable=1 diskseq=40",
		"disk sdb 8:16 "+usbUnit1+"sdb size=62333952 removable=1 diskseq=41")
	if empty, card := look(t, first), look(t, second); empty.Present || !card.Present || card.Seq != 41 || card.Number != sdb {
		t.Errorf("first %+v, second %+v", empty, card)
	}
}

func TestBayOfAnEmptyReader(t *testing.T) {
	b := machine(t, "disk sdb 8:16 "+usbFolder+"sdb size=0 removable=1 diskseq=20")
	bay := bind(t, b, sdb)
	empty := device.Seat{Number: sdb, Node: filepath.Join(b.roots.Dev, "sdb")}
	if got := look(t, bay); got != empty {
		t.Errorf("an empty reader: %+v", got)
	}
	_, err := bay.Open(t.Context(), empty, device.Options{})
	refusedFor(t, err, device.ErrNotAllowed, "no card in it")
	b.become(t, "disk sdb 8:16 "+usbFolder+"sdb size=1000000 removable=1 diskseq=22")
	if got := look(t, bay); !got.Present || got.Seq != 22 {
		t.Errorf("a card came: %+v", got)
	}
	// An accident of every day: a file of the node's name.
	_, err = bay.Open(t.Context(), look(t, bay), device.Options{})
	refusedFor(t, err, device.ErrNotADisk, "regular file")
}

// TestBayOfAnMMCHost has a card whose hardware areas share its port, and a slot that has no disk when it is empty.
func TestBayOfAnMMCHost(t *testing.T) {
	card := []string{
		"disk mmcblk1 179:8 " + mmcFolder + "mmcblk1 size=62333952 diskseq=20",
		"disk mmcblk1boot0 179:16 " + mmcFolder + "mmcblk1/mmcblk1boot0 size=8192 diskseq=21",
	}
	b := machine(t, card...)
	bay := bind(t, b, device.DevNumber{Major: 179, Minor: 8})
	if got := look(t, bay); bay.Place() != "mmc1" || !got.Present || got.Seq != 20 {
		t.Errorf("at %s: %+v", bay.Place(), got)
	}
	_, err := device.BindNumber("/dev/given", device.DevNumber{Major: 179, Minor: 16}, b.roots)
	refusedFor(t, err, device.ErrNotAllowed, "hardware area")
	b.become(t)
	if got := look(t, bay); got != (device.Seat{}) {
		t.Errorf("an empty slot: %+v", got)
	}
}

func TestBayWithoutPortIsItsName(t *testing.T) {
	const loop7 = "disk loop7 7:7 virtual/block/loop7 "
	number := device.DevNumber{Major: 7, Minor: 7}
	b := machine(t, loop7+"size=0")
	bay := bind(t, b, number)
	if bay.Place() != filepath.Join(b.roots.Dev, "loop7") || look(t, bay).Present {
		t.Errorf("at %s: %+v", bay.Place(), look(t, bay))
	}
	b.become(t, loop7+"size=4096 diskseq=33", "attr loop/backing_file /images/a.img")
	if got := look(t, bay); !got.Present || got.Seq != 33 || got.Number != number {
		t.Errorf("attached: %+v", got)
	}
	// What has a port path is never a bay that is bound by name.
	b.become(t, "disk loop7 7:7 "+usbFolder+"loop7 size=4096 removable=1 diskseq=34")
	if got := look(t, bay); got != (device.Seat{}) {
		t.Errorf("another device of that name: %+v", got)
	}
}

func TestBayWithTwoDisksIsRefused(t *testing.T) {
	const first = "disk sdb 8:16 " + usbFolder + "sdb size=62333952 removable=1 diskseq=20"
	twin := "disk sdc 8:32 " + strings.ReplaceAll(usbFolder, "6:0:0", "9:0:0") + "sdc size=0 removable=1 diskseq=21"
	b := machine(t, first)
	bay := bind(t, b, sdb)
	seen := look(t, bay)
	b.become(t, first, twin)
	for _, number := range []device.DevNumber{sdb, sdc} {
		_, err := device.BindNumber("/dev/given", number, b.roots)
		refusedFor(t, err, device.ErrNotAllowed, "sdb and sdc are there")
	}
	_, err := bay.Look()
	refusedFor(t, err, device.ErrNotAllowed, "sdb and sdc are there")
	_, err = bay.Open(t.Context(), seen, device.Options{})
	refusedFor(t, err, device.ErrNotAllowed, "sdb and sdc are there")
}

func TestWhatIsNeverABay(t *testing.T) {
	for name, c := range map[string]struct {
		number device.DevNumber
		want   error
		reason string
		lines  []string
	}{
		"a partition": {device.DevNumber{Major: 8, Minor: 17}, device.ErrNotADisk, "partition 1 of sdb", []string{
			"disk sdb 8:16 " + usbFolder + "sdb size=62333952 removable=1", "part sdb1 8:17",
		}},
		"nothing": {sdb, device.ErrNotADisk, "lists no whole disk", nil},
		"a mapped disk": {device.DevNumber{Major: 252}, device.ErrNotAllowed, "put together of other disks", []string{
			"disk dm-0 252:0 virtual/block/dm-0 size=4096",
		}},
		"a disk in memory": {device.DevNumber{Major: 1}, device.ErrNotAllowed, "disk in memory", []string{
			"disk ram0 1:0 virtual/block/ram0 size=4096",
		}},
		"an optical drive": {device.DevNumber{Major: 11}, device.ErrNotAllowed, "optical drive", []string{
			"disk sr0 11:0 " + usbFolder + "sr0 size=0 removable=1",
		}},
		"the system's disk": {device.DevNumber{Major: 259}, device.ErrNotAllowed, "holds the running system", nil},
		"a reader that is half known": {sdb, device.ErrNotAllowed, "its removable is not known", []string{
			"disk sdb 8:16 " + usbFolder + "sdb size=62333952", "drop removable",
		}},
		"the system's card": {device.DevNumber{Major: 179, Minor: 8}, device.ErrNotAllowed, "holds the running system", []string{
			"disk mmcblk1 179:8 " + mmcFolder + "mmcblk1 size=62333952", "part mmcblk1p1 179:9", "mount 179:9 / ext4 /dev/mmcblk1p1",
		}},
		"two of one number": {sdb, device.ErrNotAllowed, "device number is not known", []string{
			"disk sdb 8:16 " + usbFolder + "sdb size=62333952 removable=1", "disk sdc 8:16 " + usbOther + "sdc size=62333952 removable=1",
		}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := device.BindNumber("/dev/given", c.number, machine(t, c.lines...).roots)
			refusedFor(t, err, c.want, c.reason)
		})
	}
	roots := machine(t).roots
	_, err := device.BindBay(cardFile(t, 4096), roots)
	refusedFor(t, err, device.ErrNotADisk, "regular file")
	_, err = device.BindBay(t.TempDir(), roots)
	refusedFor(t, err, device.ErrNotADisk, "directory")
	_, err = device.BindBay(filepath.Join(t.TempDir(), "nowhere"), roots)
	refusedFor(t, err, device.ErrNotADisk, "cannot be found")
}

// TestMountedCardIsABay allows a reader whose card is in use now: the next one will not be.
func TestMountedCardIsABay(t *testing.T) {
	b := machine(t, "disk sdb 8:16 "+usbFolder+"sdb size=62333952 removable=1", "part sdb1 8:17", "mount 8:17 /media/x vfat /dev/sdb1")
	if got := look(t, bind(t, b, sdb)); !got.Present {
		t.Errorf("%+v", got)
	}
}

// TestLookTellsNothingWrong has a size that makes no sense, which is neither a card nor none.
func TestLookTellsNothingWrong(t *testing.T) {
	b := machine(t, "disk sdb 8:16 "+usbFolder+"sdb size=62333952 removable=1")
	bay := bind(t, b, sdb)
	b.write(t, filepath.Join(b.folders["sdb"], "size"), "?\n")
	if seat, err := bay.Look(); err == nil {
		t.Errorf("a size that makes no sense became %+v", seat)
	}
	b.write(t, filepath.Join(b.folders["sdb"], "size"), "0\n")
	// A disk that is being taken away: its files go before its folder does.
	if err := os.Remove(filepath.Join(b.base, b.folders["sdb"], "dev")); err != nil {
		t.Fatal(err)
	}
	if got := look(t, bay); got != (device.Seat{}) {
		t.Errorf("a disk that is going: %+v", got)
	}
	if err := os.RemoveAll(filepath.Join(b.roots.Sys, "block")); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(b.roots.Sys, "class")); err != nil {
		t.Fatal(err)
	}
	if seat, err := bay.Look(); err == nil {
		t.Errorf("no list of disks became %+v", seat)
	}
}
