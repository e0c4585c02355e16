package device_test

import (
	"encoding/binary"
	"errors"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// opens watches a file by inotify(7), and gives a function that tells how often it was opened since, and whether for writing.
func opens(t *testing.T, path string) func() (times int, forWriting bool) {
	t.Helper()
	fd, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Close(fd) })
	if _, err := unix.InotifyAddWatch(fd, path, unix.IN_OPEN|unix.IN_CLOSE_WRITE); err != nil {
		t.Fatal(err)
	}
	return func() (times int, forWriting bool) {
		t.Helper()
		events := make([]byte, 4096)
		n, err := unix.Read(fd, events)
		if errors.Is(err, unix.EAGAIN) {
			return 0, false
		}
		if err != nil {
			t.Fatal(err)
		}
		// The file itself is watched, not a folder, so no event carries a name.
		for ; n >= unix.SizeofInotifyEvent; n, events = n-unix.SizeofInotifyEvent, events[unix.SizeofInotifyEvent:] {
			mask := binary.NativeEndian.Uint32(events[4:])
			if mask&unix.IN_OPEN != 0 {
				times++
			}
			forWriting = forWriting || mask&unix.IN_CLOSE_WRITE != 0
		}
		return times, forWriting
	}
}

// TestLookWakesWhomTheKernelDoesNotWatch expects one opening for reading where the kernel would not see a change by itself, and
// none anywhere else. What the files mean is from block/disk-events.c of the kernel.
func TestLookWakesWhomTheKernelDoesNotWatch(t *testing.T) {
	const byDefault = "file sys/module/block/parameters/events_dfl_poll_msecs "
	reader := func(size string) string {
		return "disk sdb 8:16 " + usbFolder + "sdb removable=1 diskseq=20 size=" + size
	}
	for name, c := range map[string]struct {
		lines []string
		want  int
	}{
		"nothing told":           {[]string{reader("0")}, 1},
		"nothing told of a card": {[]string{reader("4096")}, 1},
		"never looked at":        {[]string{reader("0"), "attr events media_change", "attr events_poll_msecs 0"}, 1},
		"default unknown":        {[]string{reader("0"), "attr events_poll_msecs -1"}, 1},
		"default never":          {[]string{reader("0"), "attr events_poll_msecs -1", byDefault + "0"}, 1},
		"default often":          {[]string{reader("0"), "attr events_poll_msecs -1", byDefault + "2000"}, 0},
		"looked at":              {[]string{reader("0"), "attr events_poll_msecs 2000"}, 0},
		"tells by itself":        {[]string{reader("0"), "attr events_async media_change eject_request", "attr events_poll_msecs 0"}, 0},
		"tells of buttons alone": {[]string{reader("0"), "attr events_async eject_request", "attr events_poll_msecs 0"}, 1},
		"a card that stays":      {[]string{strings.Replace(reader("4096"), "removable=1", "removable=0", 1)}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			b := machine(t, c.lines...)
			bay := bind(t, b, sdb)
			opened := opens(t, filepath.Join(b.roots.Dev, "sdb"))
			look(t, bay)
			if times, forWriting := opened(); times != c.want || forWriting {
				t.Errorf("it was opened %d times, for writing: %v; want %d", times, forWriting, c.want)
			}
		})
	}
}
