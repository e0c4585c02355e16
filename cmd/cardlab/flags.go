package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/registers"
)

// options are what the command line asks for.
type options struct {
	traits         cardlab.Traits
	digestBytes    int64
	registerFolder string        // "": no registers are written
	registers      registers.Set // what the card tells; zero where none are written
}

const about = `Usage: cardlab [flags]

Holds an emulated memory card open as a block device and prints the device's name, until SIGINT or SIGTERM.
SIGUSR1 pulls the card, SIGUSR2 plugs it in again. Needs root.

AMOUNT is a number of bytes, or one with a unit: kB, MB, GB, TB (powers of 1000), KiB, MiB, GiB, TiB (of 1024).
SPAN is AMOUNT+AMOUNT: offset and length. Flags that place something may be given several times.

With -registers, the card also has what an SD card or an eMMC tells of itself, in a folder shaped like the kernel's
/sys/block/mmcblkN/device. With -forge it lies there.

`

// parse reads the command line. It tells on stderr what is wrong with it.
func parse(args []string, stderr io.Writer) (options, error) {
	var o options
	var told telling
	flags := flag.NewFlagSet("cardlab", flag.ContinueOnError)
	flags.SetOutput(stderr)
	flags.Usage = func() {
		fmt.Fprint(stderr, about)
		flags.PrintDefaults()
	}
	defineTraits(flags, &o.traits)
	amountFlag(flags, "digest-bytes", &o.digestBytes, "from the card's start that the truth's SHA-256 covers (default: none)")
	told.define(flags)

	if err := flags.Parse(args); err != nil {
		return o, err // which is told
	}
	flags.Visit(func(given *flag.Flag) { told.sized = told.sized || given.Name == "size" })
	err := o.tell(told)
	if flags.NArg() > 0 {
		err = fmt.Errorf("cardlab takes no arguments: %q", flags.Args())
	}
	if err != nil {
		fmt.Fprintf(stderr, "%v\n", err)
	}
	return o, err
}

// defineTraits defines the flags that say what the card is like.
func defineTraits(flags *flag.FlagSet, t *cardlab.Traits) {
	amount := func(name string, into *int64, text string) { amountFlag(flags, name, into, text) }
	t.SizeBytes = 8_000_000_000
	amount("size", &t.SizeBytes, "that the card states (default 8GB, with -registers that of the sample)")
	amount("true-size", &t.TrueSizeBytes, "that the card really holds (default: as stated)")
	flags.Func("beyond", "what happens past the true size: `wrap`, drop or refuse (default wrap)", func(s string) (err error) {
		t.Beyond, err = parseBeyond(s)
		return err
	})
	flags.IntVar(&t.SectorBytes, "sector-bytes", 512, "sector `size`")

	amount("write-rate", &t.WriteBytesPerSecond, "a second (default: no limit)")
	amount("read-rate", &t.ReadBytesPerSecond, "a second (default: no limit)")
	amount("cache", &t.CacheBytes, "that are written at the cache's rate before the write rate holds")
	amount("cache-rate", &t.CacheBytesPerSecond, "a second (default: no limit)")
	flags.DurationVar(&t.RandomWriteCost, "random-write-cost", 0, "added `time` of each small write out of sequence")
	flags.DurationVar(&t.FlushCost, "flush-cost", 0, "`time` of each flush")
	placed(flags, "stall", "`AMOUNT:TIME[:once]`: a write over this offset takes longer", &t.Stalls, parseStall)
	placed(flags, "stall-every", "`AMOUNT:TIME[:once]`: a write takes longer each time so much was written", &t.Stalls, parseStallEvery)

	placed(flags, "flip", "`AMOUNT[:read][:once]`: one bit at this offset is flipped when written, or when read", &t.Flips, parseFlip)
	placed(flags, "bad", "`SPAN[:read|:write]`: fails with EIO", &t.Bad, parseBad)
	placed(flags, "unstable", "`SPAN`: reads differently each time", &t.Unstable, parseSpan)
	amount("readonly-after", &t.ReadOnlyAfterBytes, "after which writes fail")
	flags.BoolVar(&t.ReadOnlyDrops, "readonly-drops", false, "those writes succeed and are forgotten")
	amount("gone-after", &t.GoneAfter.WrittenBytes, "written, after which the card vanishes")
	amount("gone-after-read", &t.GoneAfter.ReadBytes, "read, after which the card vanishes")
	amount("silent-after", &t.SilentAfter.WrittenBytes, "written, after which the card answers no more")
	amount("silent-after-read", &t.SilentAfter.ReadBytes, "read, after which the card answers no more")
	amount("memory", &t.MemoryBytes, "of the last writes that the card answers from memory, wherever they went")
	amount("lying-flush", &t.LyingFlushBytes, "that a flush leaves unsynced, to be lost when the card is pulled")

	flags.BoolVar(&t.OldContent, "old-content", false, "the card holds pseudo-random bytes when fresh")
	flags.Uint64Var(&t.Seed, "seed", 0, "decides old content, unstable reads and what a pull loses")
}

// amountFlag defines a flag of a number of bytes.
func amountFlag(flags *flag.FlagSet, name string, into *int64, text string) {
	flags.Func(name, "`AMOUNT` "+text, func(s string) (err error) {
		*into, err = parseAmount(s)
		return err
	})
}

// placed defines a flag that may be given several times.
func placed[T any](flags *flag.FlagSet, name, text string, into *[]T, parse func(string) (T, error)) {
	flags.Func(name, text, func(s string) error {
		one, err := parse(s)
		*into = append(*into, one)
		return err
	})
}

var errForm = errors.New("not of the form that is asked for")

// parseAmount reads bytes with or without a unit. An amount need not be whole in its unit, but in bytes: 1.5GB is one.
func parseAmount(s string) (int64, error) {
	number, unit := s, int64(1)
	for _, u := range []struct {
		name  string
		bytes int64
	}{
		{"kB", 1e3},
		{"MB", 1e6},
		{"GB", 1e9},
		{"TB", 1e12},
		{"KiB", 1 << 10},
		{"MiB", 1 << 20},
		{"GiB", 1 << 30},
		{"TiB", 1 << 40},
	} {
		if before, found := strings.CutSuffix(s, u.name); found {
			number, unit = before, u.bytes
		}
	}
	if whole, err := strconv.ParseInt(number, 10, 64); err == nil {
		if whole < 0 || whole > (1<<63-1)/unit {
			return 0, fmt.Errorf("amount out of range: %w", errForm)
		}
		return whole * unit, nil
	}
	part, err := strconv.ParseFloat(number, 64)
	bytes := part * float64(unit)
	if err != nil || !(bytes >= 0 && bytes < 1<<53) || bytes != float64(int64(bytes)) {
		return 0, errForm
	}
	return int64(bytes), nil
}

func parseBeyond(s string) (cardlab.Beyond, error) {
	switch s {
	case "wrap":
		return cardlab.Wrap, nil
	case "drop":
		return cardlab.Drop, nil
	case "refuse":
		return cardlab.Refuse, nil
	}
	return 0, errForm
}

func parseSpan(s string) (cardlab.Span, error) {
	offset, length, _ := strings.Cut(s, "+")
	offsetBytes, offsetErr := parseAmount(offset)
	lengthBytes, lengthErr := parseAmount(length)
	return cardlab.Span{OffsetBytes: offsetBytes, LengthBytes: lengthBytes}, errors.Join(offsetErr, lengthErr)
}

func parseStall(s string) (cardlab.Stall, error) {
	words := strings.Split(s, ":")
	once := len(words) == 3 && words[2] == "once"
	if len(words) != 2 && !once {
		return cardlab.Stall{}, errForm
	}
	offsetBytes, err := parseAmount(words[0])
	if err != nil {
		return cardlab.Stall{}, err
	}
	longer, err := time.ParseDuration(words[1])
	return cardlab.Stall{OffsetBytes: offsetBytes, For: longer, Once: once}, err
}

func parseStallEvery(s string) (cardlab.Stall, error) {
	stall, err := parseStall(s)
	stall.OffsetBytes, stall.EveryBytes = 0, stall.OffsetBytes
	if err == nil && stall.EveryBytes == 0 {
		err = errForm // would be a stall at offset 0
	}
	return stall, err
}

func parseFlip(s string) (cardlab.Flip, error) {
	words := strings.Split(s, ":")
	offsetBytes, err := parseAmount(words[0])
	flip := cardlab.Flip{OffsetBytes: offsetBytes}
	for _, word := range words[1:] {
		switch word {
		case "read":
			flip.OnRead = true
		case "once":
			flip.Once = true
		default:
			err = errForm
		}
	}
	return flip, err
}

func parseBad(s string) (cardlab.BadRange, error) {
	place, which, limited := strings.Cut(s, ":")
	span, err := parseSpan(place)
	bad := cardlab.BadRange{Span: span, Read: which != "write", Write: which != "read"}
	if limited && bad.Read && bad.Write {
		err = errForm
	}
	return bad, err
}
