//go:build device

package e2e_test

import (
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// TestQuestionBeforeACheckOfSize answers with a wrong name, with nothing, and with the right one.
func TestQuestionBeforeACheckOfSize(t *testing.T) {
	card, folder := seat(t, cardlab.Traits{SizeBytes: 64 * mib, Seed: 74}), filepath.Join(t.TempDir(), "kept")
	before, name := card.digest(), filepath.Base(card.path)
	for _, c := range []struct {
		flags  []string
		asks   string
		answer string
	}{
		{nil, "to check it", "yes"},
		{nil, "to check it", name + "1"},
		{[]string{"--full"}, "to erase it", ""},
		{[]string{"--erase"}, "to erase it", "no"},
	} {
		args := append([]string{"capacity", card.path, "--fixed-ok", "--folder", folder}, c.flags...)
		p, terminal := startOnTerminal(t, command{args: args})
		p.stdout.awaitText(t, "Type "+name+" "+c.asks, promptPatience)
		terminal.types(t, c.answer)
		p.wait().expectCode(t, 3)
		card.expectUntouched(t)
		expectNothingIn(t, folder)
	}
	p, terminal := startOnTerminal(t, command{args: []string{"capacity", card.path, "--fixed-ok", "--folder", folder}})
	p.stdout.awaitText(t, "Type "+name+" to check it", promptPatience)
	if shown := p.stdout.text(); !strings.Contains(shown, "67.1 MB") || !strings.Contains(shown, folder) {
		t.Errorf("the question tells neither the card nor where its content is kept:\n%s", shown)
	}
	card.expectUntouched(t)
	terminal.types(t, name)
	p.wait().expectCode(t, 0)
	if len(card.Truth().Written()) == 0 || card.digest() != before {
		t.Errorf("of %v that were written not all is as it was", card.Truth().Written())
	}
}

// TestFolderOnTheCardItselfIsRefused names a folder of what is kept that lies on the card: it would be kept where it is
// overwritten.
func TestFolderOnTheCardItselfIsRefused(t *testing.T) {
	card := seat(t, cardlab.Traits{SizeBytes: 64 * mib, Seed: 75})
	tool(t, "mkfs.ext4", "-q", card.path)
	point := t.TempDir()
	tool(t, "mount", "-t", "ext4", "-o", "ro", card.path, point)
	t.Cleanup(func() {
		if err := unix.Unmount(point, 0); err != nil {
			t.Errorf("unmount %s: %v", point, err)
		}
	})
	before := card.Counts().WrittenBytes
	for _, flags := range [][]string{nil, {"--full"}, {"--erase"}} {
		r := run(t, 3, sizing(card, filepath.Join(point, "kept"), flags...)...)
		document := decode[capacityDocument](t, r.stdout)
		if document.Verdict != "" || document.Error == nil || document.Error.Class != "refused" || !strings.Contains(r.stderr, point) {
			t.Errorf("it is told as %+v, %+v:\n%s", document, document.Error, r.stderr)
		}
		if after := card.Counts().WrittenBytes; after != before {
			t.Errorf("%d bytes were written to the card", after-before)
		}
	}
}

// TestCardThatIsCheckedIsRefused starts the program on a card whose size it finds out already.
func TestCardThatIsCheckedIsRefused(t *testing.T) {
	card := seat(t, cardlab.Traits{SizeBytes: 96 * mib, WriteBytesPerSecond: 5_000_000, Seed: 76})
	folder, before, met := t.TempDir(), card.digest(), card.meetsWrite(stamping)
	first := start(t, command{args: sizing(card, folder)})
	await(t, met)
	kept := rescuesIn(t, folder)
	for _, flags := range [][]string{nil, {"--full"}} {
		r := run(t, 3, sizing(card, folder, flags...)...)
		if !strings.Contains(r.stderr, "in use") || len(rescuesIn(t, folder)) != 1 || len(kept) != 1 {
			t.Errorf("the second check of a card ends with what %v was kept before:\n%s", kept, r.stderr)
		}
	}
	r := first.wait()
	r.expectCode(t, 0)
	decode[capacityDocument](t, r.stdout).expectKept(t, card, before)
	expectNothingIn(t, folder)
}
