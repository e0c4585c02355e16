package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	"cardwright/internal/cardlab"
)

// bays compares the slowest of so many cards that a batch works on at once, of 20 MB/s write and 80 MB/s read, with one alone: all
// of them sound, one of them silent after a while, and one of a tenth of their rates. Those two are not waited for.
func (b *workbench) bays(cards int, goal string) comparison {
	name := fmt.Sprintf("batch: %d cards of 20 MB/s write, 80 MB/s read at once: time against one", cards)
	return comparison{name, func(ctx context.Context) (figures []figure, err error) {
		raw, err := b.packed(ctx, "raw")
		if err != nil {
			return nil, err
		}
		sound, slow := ofRates(20, 80), ofRates(2, 8)
		silent := sound
		silent.SilentAfter.WrittenBytes = b.imageBytes / 10
		groups := []struct {
			name   string
			traits []cardlab.Traits
			beside int
		}{
			{"one alone", []cardlab.Traits{sound}, 0},
			{"all sound", slices.Repeat([]cardlab.Traits{sound}, cards), 0},
			{"one of them silent", append(slices.Repeat([]cardlab.Traits{sound}, cards-1), silent), 1},
			{"one of them slow", append(slices.Repeat([]cardlab.Traits{sound}, cards-1), slow), 1},
		}
		proofs := make([]median, len(groups))
		var sides []side
		for i, g := range groups {
			proofs[i].Name = g.name
			sides = append(sides, side{g.name, func(ctx context.Context) (float64, error) {
				s, err := b.batch(ctx, raw, g.traits, g.beside)
				if err != nil {
					return 0, err
				}
				proofs[i].All = append(proofs[i].All, slices.Max(s.provenSeconds))
				proofs[i].Seconds = middle(proofs[i].All)
				return slices.Max(s.seconds), nil
			}})
		}
		runs, err := inTurn(ctx, b.rounds, sides...)
		if err != nil {
			return nil, err
		}
		for i, g := range groups[1:] {
			run, proof := []median{runs[i+1], runs[0]}, []median{proofs[i+1], proofs[0]}
			figures = append(figures,
				figure{name + ", " + g.name, run[0].Seconds / run[1].Seconds, "x", goal, run},
				figure{name + ", " + g.name + ", until proven", proof[0].Seconds / proof[1].Seconds, "x", goal, proof})
		}
		return figures, nil
	}}
}

// memoryOfBays tells the most memory that a batch takes.
func (b *workbench) memoryOfBays(cards int) comparison {
	name := fmt.Sprintf("memory at most, batch, bays: %d", cards)
	return comparison{name, func(ctx context.Context) ([]figure, error) {
		raw, err := b.packed(ctx, "raw")
		if err != nil {
			return nil, err
		}
		var most []float64
		for range b.rounds {
			s, err := b.batch(ctx, raw, slices.Repeat([]cardlab.Traits{ofRates(0, 0)}, cards), 0)
			if err != nil {
				return nil, err
			}
			most = append(most, s.maxRSSBytes/(1<<20))
		}
		return []figure{{name, middle(most), "MiB", "", nil}}, nil
	}}
}

// A shift is one run of the batch command with a card in each bay, as it told of the cards that count, in the order in which they
// were finished.
type shift struct {
	seconds       []float64 // from when a card was begun to when its run had ended
	provenSeconds []float64 // from its first byte written to its last block compared
	maxRSSBytes   float64
}

// longestShift ends one in which a card is never begun.
const longestShift = 10 * time.Minute

// batch works through one card for each of the traits, all at once. The last of them are beside the others: the shift is over
// when all others are finished.
func (b *workbench) batch(ctx context.Context, image string, traits []cardlab.Traits, beside int) (s shift, err error) {
	ctx, cancel := context.WithTimeout(ctx, longestShift)
	defer cancel()
	err = b.withTraits(ctx, traits, func(cards []*cardlab.Card, devices []string) error {
		counting := len(cards) - beside
		var stderr bytes.Buffer
		cmd := b.batchCommand(ctx, image, devices)
		cmd.Stderr = &stderr
		told, err := cmd.StdoutPipe()
		if err != nil {
			return err
		}
		if err := cmd.Start(); err != nil {
			return err
		}
		err = s.follow(told, devices[counting:], counting)
		s.maxRSSBytes = peakRSS(cmd.Process.Pid)
		for _, c := range cards[counting:] {
			c.Release() // the program would wait for its call
		}
		stopped := errors.Join(cmd.Process.Signal(os.Interrupt), discard(told))
		if ended := cmd.Wait(); beside == 0 {
			err = errors.Join(err, ended)
		}
		if err = errors.Join(err, stopped); err != nil {
			err = fmt.Errorf("%w: %s", err, &stderr)
		}
		return err
	})
	return s, err
}

// batchCommand is the program's command line for a bay on each of these devices, which takes cards until it is interrupted.
func (b *workbench) batchCommand(ctx context.Context, image string, devices []string) *exec.Cmd {
	args := []string{
		"batch", image, "--yes", "--fixed-ok", "--json",
		"--store", filepath.Join(b.dir, "store"), "--logbook", filepath.Join(b.dir, "batches.db"),
	}
	for i, d := range devices {
		args = append(args, "--bay", fmt.Sprintf("bay%d=%s", i+1, d))
	}
	return exec.CommandContext(ctx, b.cardwright, args...)
}

// follow reads the program's documents until so many cards are finished, those in the devices beside not counted. One that is
// not intact is an error. One that is refused is tried again when something changes: other programs' disks come and go.
func (s *shift) follow(told io.Reader, besides []string, cards int) error {
	begun := map[string]time.Time{}
	documents := json.NewDecoder(told)
	for len(s.seconds) < cards {
		var d struct {
			Event   string    `json:"event"`
			At      time.Time `json:"at"`
			Device  string    `json:"device"`
			Reasons []string  `json:"reasons"`
			Run     struct {
				Verdict string  `json:"verdict"`
				Proven  float64 `json:"time_to_proven_s"`
			} `json:"run"`
		}
		if err := documents.Decode(&d); err != nil {
			return fmt.Errorf("%d of %d cards are finished: %w", len(s.seconds), cards, err)
		}
		switch {
		case slices.Contains(besides, d.Device):
		case d.Event == "held":
			return fmt.Errorf("a card is held: %q", d.Reasons)
		case d.Event == "started":
			begun[d.Device] = d.At
		case d.Event == "finished" && d.Run.Verdict != "intact":
			return fmt.Errorf("a card is %s", d.Run.Verdict)
		case d.Event == "finished":
			s.seconds = append(s.seconds, d.At.Sub(begun[d.Device]).Seconds())
			s.provenSeconds = append(s.provenSeconds, d.Run.Proven)
		}
	}
	return nil
}

// discard reads what is left.
func discard(r io.Reader) error {
	_, err := io.Copy(io.Discard, r)
	return err
}
