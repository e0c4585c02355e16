//go:build device

package device_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/device"

	"golang.org/x/sys/unix"
)

// A mistelling is a disk of which the kernel's list says something else than the opened disk, as where a card was changed
// between the judging and the opening.
type mistelling struct {
	name, attributes string
	answer           answer
	reason           string
}

func mistold() []mistelling {
	return []mistelling{
		{"a card in a USB reader, live", "", yes, ""},
		{"a card changed between judging and opening", "attr diskseq 999999", no, "media count is"},
		{"a larger card between judging and opening", "attr size 999999", no, "size in bytes is"},
		{"other sectors between judging and opening", "attr queue/logical_block_size 4096", no, "sector size is"},
		{"a media count that only the opened disk tells", "drop diskseq", no, "media count is"},
		{"the number of another disk", "attr dev 8:16", no, "lists no whole disk"},
	}
}

// A change happens to an opened target before the first byte is written.
type change struct {
	name   string
	apply  func(t *testing.T, c told, link string)
	answer answer
	reason string
}

// expect opens the disk by a link and looks again after the change.
func (s change) expect(t *testing.T) {
	t.Helper()
	of := tellOf(t, "")
	link := linkTo(t, of.node)
	c := openLive(t, link, device.Options{Roots: of.roots})
	if err := c.Recheck(); err != nil {
		t.Fatalf("before the change: %v", err)
	}
	s.apply(t, of, link)
	var reasons []string
	if err := c.Recheck(); err != nil {
		r := new(device.Refusal)
		if !errors.As(err, &r) {
			t.Fatalf("%v (%T) is no refusal", err, err)
		}
		reasons = r.Reasons
	}
	s.answer.expect(t, false, reasons, s.reason)
}

func changes() []change {
	attribute := func(path, value string) func(*testing.T, told, string) {
		return func(t *testing.T, of told, _ string) {
			t.Helper()
			of.write(t, filepath.Join(of.folders["sdb"], path), value+"\n")
		}
	}
	add := func(path, line string) func(*testing.T, told, string) {
		return func(t *testing.T, of told, _ string) {
			t.Helper()
			before, err := os.ReadFile(filepath.Join(of.base, path))
			if err != nil {
				t.Fatal(err)
			}
			of.write(t, path, string(before)+strings.ReplaceAll(line, "NUMBER", numberOf(t, of.node).String())+"\n")
		}
	}
	relink := func(to func(t *testing.T) string) func(*testing.T, told, string) {
		return func(t *testing.T, _ told, link string) {
			t.Helper()
			if err := errors.Join(os.Remove(link), os.Symlink(to(t), link)); err != nil {
				t.Fatal(err)
			}
		}
	}
	another := func(t *testing.T) string { t.Helper(); node, _ := attach(t); return node }
	return []change{
		{"nothing changes", func(*testing.T, told, string) {}, yes, ""},
		{"another card in the reader", attribute("diskseq", "999999"), no, "media count was"},
		{"another serial", attribute("device/serial", "SN0002"), no, "serial was"},
		{"another size", attribute("size", "8"), no, "size in bytes was"},
		{"no card any more", attribute("size", "0"), no, "no card in it"},
		{"write protection", attribute("ro", "1"), no, "write-protected"},
		{"a mount", add("proc/self/mountinfo", "90 1 NUMBER / /mnt rw - ext4 /dev/x rw"), no, "mounted at /mnt"},
		{"swap", add("proc/swaps", "/dev/sdb partition 8 0 -2"), no, "in use as swap"},
		{"a holder", attribute("holders/dm-7", "-"), no, "held by dm-7"},
		{"an attribute that makes no sense", attribute("removable", "?"), no, "removable is not known"},
		{"the disk has another number", attribute("dev", "8:16"), no, "lists no whole disk"},
		{"the mount table is gone", func(t *testing.T, of told, _ string) {
			t.Helper()
			if err := os.Remove(filepath.Join(of.base, "proc/self/mountinfo")); err != nil {
				t.Fatal(err)
			}
		}, no, "mount table is not known"},
		{"the link leads to another disk", relink(another), no, "leads to another device"},
		{"the link leads to a file", relink(func(t *testing.T) string { return cardFile(t, 4096) }), no, "leads to another device"},
		{"the link leads nowhere", relink(func(*testing.T) string { return "nowhere" }), no, "leads to another device"},
		{"the link leads to a second node of the disk", func(t *testing.T, of told, link string) {
			t.Helper()
			relink(func(t *testing.T) string { return makeNode(t, unix.S_IFBLK, numberOf(t, of.node)) })(t, of, link)
		}, yes, ""},
	}
}
