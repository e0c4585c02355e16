//go:build device

package e2e_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"cardwright/internal/cardlab"
)

const (
	classCards = 30
	classFloor = "7MB"
)

// TestThirtyCardsThroughThreeBays works a stack of cards through three bays, by hands that know nothing but the stream. Thirty of
// them must end intact, each with a row of the sheet of its own; what hands do wrong meanwhile, and cards that fail, must cost no
// card, no row and no number.
func TestThirtyCardsThroughThreeBays(t *testing.T) {
	image, dir := makeClassImage(t), t.TempDir()
	s := stackOf(t, image.path)
	labels, files := filepath.Join(dir, "class.csv"), filepath.Join(dir, "boot")
	writeFile(t, labels, []byte(classSheet()))
	writeTree(t, files, map[string]string{
		"node.env":          "node={{.hostname}}\n# {{.label}}, card {{.number}}\n",
		"net/lan/lan.conf":  "address={{.address}}\nname={{.hostname}}\n",
		"overlays/used.txt": "",
	})
	bays := []*bay{bayNamed(t, "left"), bayNamed(t, "middle"), bayNamed(t, "right")}
	hands := map[string]*hand{
		"left":   {t: t, bay: bays[0], pile: leftPile(t)},
		"middle": {t: t, bay: bays[1], pile: middlePile(t), waits: true},
		"right":  {t: t, bay: bays[2], pile: rightPile(t, s, bays[2])},
	}
	b := s.begin(t, bays, "--labels", labels, "--files", files, "--floor", classFloor)
	var told []eventDoc
	for e := range b.events() {
		told = append(told, e)
		if h := hands[e.Bay]; h != nil {
			h.react(e)
			continue
		}
		if e.Event == "begun" {
			for _, y := range bays {
				hands[y.name].seatNext()
			}
		}
	}
	r := b.wait()
	r.expectCode(t, 6)
	var cards []*stackCard
	for _, y := range bays {
		if left := hands[y.name].pile; len(left) > 0 {
			t.Errorf("%s: %d cards were never asked for", y.name, len(left))
		}
		cards = append(cards, hands[y.name].handled...)
	}
	for _, c := range cards {
		expectAsPlanned(t, c)
	}
	expectRowsGivenOnce(t, s, cards)
	expectTotals(t, told, cards, r.code)
	expectClassDelivered(t, judge{image, t.TempDir()}, cards)
	t.Logf("MEASURED %d cards through 3 bays in %.1f s, %d events; a card that was pulled was let go after %v",
		len(cards), r.took.Seconds(), len(told), hands["middle"].letGo)
}

// classRow gives the host name and the address of a row, from 1 on.
func classRow(n int) (label, hostname, address string) {
	return fmt.Sprintf("class-%02d", n), fmt.Sprintf("desk-%d", n), fmt.Sprintf("192.0.2.%d", n)
}

func classSheet() string {
	sheet := "label,hostname,address\n"
	for n := range classCards {
		label, hostname, address := classRow(n + 1)
		sheet += label + "," + hostname + "," + address + "\n"
	}
	return sheet
}

// plain are new cards without a fault.
func plain(t *testing.T, count int) (cards []*stackCard) {
	t.Helper()
	for range count {
		cards = append(cards, faulty(t, "plain", "intact", cardlab.Traits{}))
	}
	return cards
}

// faulty is a new card with traits of its own.
func faulty(t *testing.T, what, verdict string, traits cardlab.Traits) *stackCard {
	t.Helper()
	traits.SizeBytes = classCardBytes
	return &stackCard{seated: emulated(t, traits), what: what, verdict: verdict}
}

// leftPile has cards that are bad, and one that is slow beside the six before it. Those have a rate at which no machine's source is
// the limit, since such a card is nobody's peer.
func leftPile(t *testing.T) []*stackCard {
	var peers []*stackCard
	for range 6 {
		peers = append(peers, faulty(t, "peer", "intact", cardlab.Traits{WriteBytesPerSecond: 40_000_000}))
	}
	slow := faulty(t, "slow", "intact", cardlab.Traits{WriteBytesPerSecond: 10_000_000})
	slow.slow = "below peers"
	return slices.Concat(peers, []*stackCard{
		slow,
		faulty(t, "wrapping", "damaged", cardlab.Traits{TrueSizeBytes: 48 * mib, Beyond: cardlab.Wrap}),
	}, plain(t, 1), []*stackCard{
		faulty(t, "rotten", "damaged", cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 50*mib + 77}}}),
	}, plain(t, 2))
}

// middlePile has cards as they come from a shop and from a camera, and two that are taken out too early.
func middlePile(t *testing.T) []*stackCard {
	photographs := formatted(t, "photograph", "mkfs.vfat", "-n", "CAMERA")
	shot := filepath.Join(t.TempDir(), "IMG_0001.JPG")
	writeFile(t, shot, noise(mib, 7))
	photographs.fill(t, func(part string) { tool(t, "mcopy", "-i", part, shot, "::/") })
	photographs.held = "holds files"
	early, swapped := faulty(t, "early", "unfinished", cardlab.Traits{}), faulty(t, "swapped", "unfinished", cardlab.Traits{})
	early.leaves, swapped.leaves = whileWritten, swapWhileWritten
	return slices.Concat([]*stackCard{
		formatted(t, "exFAT", "mkfs.exfat"), formatted(t, "FAT", "mkfs.vfat"), photographs,
	}, plain(t, 1), []*stackCard{early}, plain(t, 4), []*stackCard{swapped}, plain(t, 2))
}

// rightPile begins with two cards that the logbook knows, one of which was booted since. The card that is done first is seated
// once more.
func rightPile(t *testing.T, s stack, y *bay) []*stackCard {
	known, booted := faulty(t, "known", "intact", cardlab.Traits{}), faulty(t, "booted", "intact", cardlab.Traits{})
	for _, c := range []*stackCard{known, booted} {
		y.seat(t, c.seated)
		runCommand(t, 0, command{args: append(flashTo(s.image, []*seated{c.seated}), "--label", c.what), logbook: s.book})
		y.pull(t)
		y.empties(t)
	}
	bootOnce(t, booted.seated)
	booted.held = "and was used since"
	slow := faulty(t, "very slow", "intact", cardlab.Traits{WriteBytesPerSecond: 5_500_000})
	slow.slow = "below floor"
	again := &stackCard{what: "done", held: "done already", leaves: whenHeld}
	return slices.Concat([]*stackCard{known, booted}, plain(t, 1), []*stackCard{again, slow}, plain(t, 6))
}

// bootOnce changes the root file system as a mount and the first log file do, by its own tools.
func bootOnce(t *testing.T, card *seated) {
	t.Helper()
	part := filepath.Join(t.TempDir(), "root.part")
	writeFile(t, part, card.Truth().Read(classRootAt, classRootBytes))
	log := filepath.Join(t.TempDir(), "log")
	writeFile(t, log, []byte("the first boot\n"))
	tool(t, "debugfs", "-w", "-R", "write "+log+" boot.log", part)
	tool(t, "debugfs", "-w", "-R", "set_super_value mtime now", part)
	tool(t, "tune2fs", "-C", "1", part)
	card.put(t, classRootAt, readFile(t, part))
}

// formatted is a card with one partition that the tool of its file system made.
func formatted(t *testing.T, what, name string, args ...string) *stackCard {
	t.Helper()
	c := faulty(t, what, "intact", cardlab.Traits{})
	path := filepath.Join(t.TempDir(), "card")
	truncated(t, path, classCardBytes)
	partitioned(t, path, "label: dos\nstart=8192, type=7\n")
	c.put(t, 0, readFile(t, path)[:mib])
	c.fill(t, func(part string) { tool(t, name, append(args, part)...) })
	return c
}

// fill has a tool change the one partition of a formatted card.
func (c *stackCard) fill(t *testing.T, change func(part string)) {
	t.Helper()
	const partAt = 4 * mib
	part := filepath.Join(t.TempDir(), "part")
	writeFile(t, part, c.Truth().Read(partAt, classCardBytes-partAt))
	change(part)
	c.put(t, partAt, readFile(t, part))
}

// expectAsPlanned expects the stream to have told what must become of a card.
func expectAsPlanned(t *testing.T, c *stackCard) {
	t.Helper()
	switch {
	case c.verdict == "" && (c.started > 0 || c.run != nil):
		t.Errorf("the %s card was begun", c.what)
	case c.verdict == "" && c.Counts().WrittenBytes != c.writtenBytes:
		t.Errorf("the %s card was written to", c.what)
	case c.verdict != "" && (c.started != 1 || c.run == nil):
		t.Fatalf("the %s card was begun %d times, and its run is told as %v", c.what, c.started, c.run)
	case c.verdict != "" && c.run.Verdict != c.verdict:
		t.Errorf("the %s card is told as %s (%v), want %s", c.what, c.run.Verdict, c.run.Error, c.verdict)
	}
	if held := strings.Join(c.heldFor, " "); (held != "") != (c.held != "") || !strings.Contains(held, c.held) {
		t.Errorf("the %s card was held for %q, want %q", c.what, held, c.held)
	}
	if again := c.held != "" && c.verdict != ""; again != (c.released == 1) {
		t.Errorf("the %s card was released %d times", c.what, c.released)
	}
	if c.slow != "" && (c.paceTold != c.slow || c.run.Pace != c.slow) {
		t.Errorf("the %s card is told as %q while it was written and %q in the end", c.what, c.paceTold, c.run.Pace)
	}
	switch {
	case c.verdict == "damaged":
		c.expectNoHead(t)
	case c.verdict == "unfinished" && string(c.Truth().Read(510, 2)) == "\x55\xaa":
		t.Errorf("the %s card was taken out half-way and has a boot sector", c.what)
	}
}
