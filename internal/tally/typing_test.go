package tally_test

import (
	"errors"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/internal/batch"
	"cardwright/internal/tally"
	"cardwright/internal/terminal"
)

var errPulled = errors.New("the card was pulled")

// The operator lets a held card be overwritten by typing its bay's name; what is typed amiss is told and releases nothing.
func TestTypedNamesReleaseHeldBays(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hands, tty := net.Pipe()
		defer hands.Close()
		var stderr strings.Builder
		face := tally.New(tally.Options{Screen: &stderr, LineEvery: time.Second, Terminal: func() (terminal.Terminal, error) { return tty, nil }})
		looks := func() []batch.Look {
			return []batch.Look{{Bay: "left", Phase: batch.PhaseHeld}, {Bay: "top", Phase: batch.PhaseHeld}, {Bay: "right", Phase: batch.PhaseEmpty}}
		}
		var released []string
		release := func(bay string) error {
			released = append(released, bay)
			if bay == "top" {
				return errPulled
			}
			return nil
		}
		face.During(looks, release, func() {
			for _, line := range []string{
				"\n", "lefft\b\x7ft\n", "\x1b[A\x1b[15~ left \r", "LEFT\n", "xx\x15top\n", "\x7fright\n", strings.Repeat("x", 1000) + "\n", "lef",
			} {
				if _, err := hands.Write([]byte(line)); err != nil {
					t.Error(err)
				}
			}
			synctest.Wait()
		})
		if want := []string{"left", "left", "top"}; !slices.Equal(released, want) {
			t.Errorf("released %q, want %q", released, want)
		}
		for _, want := range []string{
			`"LEFT" is no bay; the bays are left, top, right`, "top stays held: the card was pulled", "no card is held in right",
			`"` + strings.Repeat("x", terminal.LongestLine) + `" is no bay`,
		} {
			if strings.Count(stderr.String(), want) != 1 {
				t.Errorf("not told once: %s", want)
			}
		}
		if got := strings.Count(stderr.String(), "\n"); got != 4 {
			t.Errorf("%d lines were told:\n%s", got, &stderr)
		}
	})
}

// A terminal that goes away ends nothing.
func TestClosedTerminalStopsNoCards(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hands, tty := net.Pipe()
		opened := func() (terminal.Terminal, error) { return tty, nil }
		tally.New(tally.Options{Screen: &strings.Builder{}, LineEvery: time.Second, Terminal: opened}).During(func() []batch.Look { return nil }, nil, func() {
			hands.Close()
			time.Sleep(time.Hour)
		})
	})
}
