package main

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
)

// A comparison makes figures.
type comparison struct {
	name    string
	measure func(ctx context.Context) ([]figure, error)
}

// comparisons are all of them, in the order in which they are printed.
func (b *workbench) comparisons() []comparison {
	return []comparison{
		b.decoding("xz, one block", "xz -dc -T1", "1.2 or more"),
		b.decoding("xz, several blocks", "xz -dc -T2", "1.3 or more"),
		b.decoding("gzip", "gzip -dc", ""),
		b.decoding("zstd", "zstd -q -dc", ""),
		b.bound(20, 80, "1.02 or less"),
		b.bound(90, 95, "1.03 or less"),
		b.together(4, 20, 80, "1.05 or less"),
		b.together(4, 90, 95, ""),
		b.bays(8, "1.05 or less"),
		b.beside(20, 80),
		b.unbound("0.5 or less"),
		b.memory("raw", 1, "under 150"),
		b.memory("gzip", 1, "under 150"),
		b.memory("zstd", 1, "under 150"),
		b.memory("xz, several blocks", 1, "within the memory allowed"),
		b.memory("xz, several blocks", 4, "under 200"),
		b.memoryOfBays(8),
		b.growing(),
	}
}

// decoderRounds is how much more often decoders are measured than all else: they take seconds, and on a machine that is not
// quiet, seconds differ much.
const decoderRounds = 3

// decoding compares decoders, both decoding to nowhere: how often the tool's time holds ours.
func (b *workbench) decoding(way, tool, goal string) comparison {
	name := "decoding " + way + ": speed against " + tool
	return comparison{name, func(ctx context.Context) ([]figure, error) {
		path, err := b.packed(ctx, way)
		if err != nil {
			return nil, err
		}
		sides, err := inTurn(ctx, decoderRounds*b.rounds,
			side{"this decoder", func(ctx context.Context) (float64, error) {
				return timed(exec.CommandContext(ctx, b.self, decodeWord, path))
			}},
			shell(tool, tool+" "+quoted(path)+" > /dev/null"),
		)
		if err != nil {
			return nil, err
		}
		return []figure{{name, sides[1].Seconds / sides[0].Seconds, "x", goal, sides}}, nil
	}}
}

// bound compares flash and proof with what a card of these rates allows.
func (b *workbench) bound(writeRate, readRate int64, goal string) comparison {
	name := fmt.Sprintf("flash and proof on a card of %d MB/s write, %d MB/s read: time against the card's own", writeRate, readRate)
	return comparison{name, func(ctx context.Context) ([]figure, error) {
		sides, err := inTurn(ctx, b.rounds, b.flashing("cardwright", b.image, 1, writeRate, readRate))
		if err != nil {
			return nil, err
		}
		limit := float64(b.imageBytes) * (1/float64(writeRate*1e6) + 1/float64(readRate*1e6))
		sides = append(sides, median{Name: "image/W + image/R", Seconds: limit})
		return []figure{{name, sides[0].Seconds / limit, "x", goal, sides}}, nil
	}}
}

// together compares several cards at once with one.
func (b *workbench) together(cards int, writeRate, readRate int64, goal string) comparison {
	name := fmt.Sprintf("%d cards of %d MB/s write, %d MB/s read at once: time against one", cards, writeRate, readRate)
	return comparison{name, func(ctx context.Context) ([]figure, error) {
		sides, err := inTurn(ctx, b.rounds,
			b.flashing(fmt.Sprintf("%d cards", cards), b.image, cards, writeRate, readRate),
			b.flashing("one card", b.image, 1, writeRate, readRate),
		)
		if err != nil {
			return nil, err
		}
		return []figure{{name, sides[0].Seconds / sides[1].Seconds, "x", goal, sides}}, nil
	}}
}

// unbound compares the whole command with the way of general tools, on a device without a limit of its own.
func (b *workbench) unbound(goal string) comparison {
	name := "flash and proof without a limit: time against the shell's way"
	return comparison{name, func(ctx context.Context) ([]figure, error) {
		sides, err := inTurn(ctx, b.rounds, b.command("cardwright flash"), b.shellsWay())
		if err != nil {
			return nil, err
		}
		return []figure{{name, sides[0].Seconds / sides[1].Seconds, "x", goal, sides}}, nil
	}}
}

// beside compares a card's time with that beside proofs of another card, which never end and have no limit of their own.
func (b *workbench) beside(writeRate, readRate int64) comparison {
	name := fmt.Sprintf("flash and proof at %d MB/s write, %d MB/s read beside the proofs of another card: time against alone", writeRate, readRate)
	return comparison{name, func(ctx context.Context) (figures []figure, err error) {
		raw, err := b.packed(ctx, "raw")
		if err != nil {
			return nil, err
		}
		flashing := b.flashing("alone", raw, 1, writeRate, readRate)
		err = b.withCards(ctx, 1, 0, 0, func(devices []string) error {
			if _, err := timed(b.flashCommand(ctx, raw, devices)); err != nil {
				return err
			}
			sides, err := inTurn(ctx, b.rounds, side{"beside proofs", func(ctx context.Context) (seconds float64, err error) {
				stop := b.proveOnAndOn(ctx, raw, devices[0])
				seconds, err = flashing.once(ctx)
				return seconds, errors.Join(err, stop())
			}}, flashing)
			if err != nil {
				return err
			}
			figures = []figure{{name, sides[0].Seconds / sides[1].Seconds, "x", "", sides}}
			return nil
		})
		return figures, err
	}}
}

// memory tells the most memory that the program takes.
func (b *workbench) memory(way string, cards int, goal string) comparison {
	name := fmt.Sprintf("memory at most, %s, cards: %d", way, cards)
	return comparison{name, func(ctx context.Context) ([]figure, error) {
		path, err := b.packed(ctx, way)
		if err != nil {
			return nil, err
		}
		var most []float64
		for range b.rounds {
			told, err := b.flash(ctx, path, cards, 0, 0)
			if err != nil {
				return nil, err
			}
			most = append(most, told.maxRSSBytes/(1<<20))
		}
		return []figure{{name, middle(most), "MiB", goal, nil}}, nil
	}}
}

// growing tells how the time grows with the image, on a device without a limit of its own, and with the number of cards.
func (b *workbench) growing() comparison {
	return comparison{"growth with the image and the number of cards", func(ctx context.Context) (figures []figure, err error) {
		raw, err := b.packed(ctx, "raw")
		if err != nil {
			return nil, err
		}
		for _, part := range []int64{4, 2, 1} {
			sizeMiB := b.imageBytes / part >> 20
			path, err := b.made(ctx, fmt.Sprintf("part%d.img", part), fmt.Sprintf("head -c %dM %s > \"$MADE\"", sizeMiB, quoted(raw)))
			if err != nil {
				return nil, err
			}
			sides, err := inTurn(ctx, b.rounds, b.flashing("flash and proof", path, 1, 0, 0))
			if err != nil {
				return nil, err
			}
			name := fmt.Sprintf("unpacked image of %d MiB, one card without a limit: time per GB", sizeMiB)
			figures = append(figures, figure{name, sides[0].Seconds / (float64(sizeMiB<<20) / 1e9), "s/GB", "", sides})
		}
		for _, cards := range []int{1, 2, 4} {
			sides, err := inTurn(ctx, b.rounds, b.flashing("flash and proof", raw, cards, 20, 80))
			if err != nil {
				return nil, err
			}
			name := fmt.Sprintf("unpacked image, %d cards of 20 MB/s write, 80 MB/s read: time", cards)
			figures = append(figures, figure{name, sides[0].Seconds, "s", "", sides})
		}
		return figures, nil
	}}
}
