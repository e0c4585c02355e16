package main // parse and run are this program's parts, and a command has no other face for them

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/registers"
)

func TestFlagsBecomeTraits(t *testing.T) {
	line := "-size 16GB -true-size 1GiB -beyond drop -sector-bytes 4096 -write-rate 20MB -read-rate 1.5MB -cache 100MB " +
		"-cache-rate 80MB -random-write-cost 5ms -flush-cost 1s -stall 3MiB:2s -stall 0:1s:once -stall-every 10MB:500ms " +
		"-flip 7 -flip 9:read:once -bad 1MB+4KiB -bad 0+1:read -bad 0+1:write -unstable 5+6 -readonly-after 1TB " +
		"-readonly-drops -gone-after 1 -gone-after-read 2 -silent-after 3 -silent-after-read 4 -memory 8MiB -lying-flush 1kB " +
		"-old-content -seed 42 -digest-bytes 1TiB"
	got, err := parse(strings.Fields(line), io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	want := options{digestBytes: 1_099_511_627_776, traits: cardlab.Traits{
		SizeBytes: 16_000_000_000, TrueSizeBytes: 1_073_741_824, Beyond: cardlab.Drop, SectorBytes: 4096,
		WriteBytesPerSecond: 20_000_000, ReadBytesPerSecond: 1_500_000, CacheBytes: 100_000_000, CacheBytesPerSecond: 80_000_000,
		RandomWriteCost: 5 * time.Millisecond, FlushCost: time.Second,
		Stalls: []cardlab.Stall{
			{OffsetBytes: 3_145_728, For: 2 * time.Second},
			{For: time.Second, Once: true},
			{EveryBytes: 10_000_000, For: 500 * time.Millisecond},
		},
		Flips: []cardlab.Flip{{OffsetBytes: 7}, {OffsetBytes: 9, OnRead: true, Once: true}},
		Bad: []cardlab.BadRange{
			{Span: cardlab.Span{OffsetBytes: 1_000_000, LengthBytes: 4096}, Read: true, Write: true},
			{Span: cardlab.Span{LengthBytes: 1}, Read: true},
			{Span: cardlab.Span{LengthBytes: 1}, Write: true},
		},
		Unstable:           []cardlab.Span{{OffsetBytes: 5, LengthBytes: 6}},
		ReadOnlyAfterBytes: 1_000_000_000_000, ReadOnlyDrops: true,
		GoneAfter: cardlab.After{WrittenBytes: 1, ReadBytes: 2}, SilentAfter: cardlab.After{WrittenBytes: 3, ReadBytes: 4},
		MemoryBytes: 8_388_608, LyingFlushBytes: 1000, OldContent: true, Seed: 42,
	}}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(options{})); diff != "" {
		t.Error(diff)
	}
}

func TestWrongFlagsAreRefused(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel() // so that a line that is not refused holds no card
	for _, line := range []string{
		"-size", "-size x", "-size -1", "-size 1.0000000001kB", "-size 99999999999TB", "-size 1mb", "-size NaN",
		"-beyond never", "-stall 5", "-stall 5:1s:twice", "-stall 5:fast", "-stall-every 0:1s", "-flip 5:write", "-flip :read",
		"-bad 5", "-bad 5+5:both", "-unstable 5", "-nonsense", "device",
		"-card sdhc", "-forge serial-zero", "-registers new -card best", "-registers new -card best -size 8GiB",
		"-registers new -forge honesty", "-registers new -forge serial-zero,", "-registers new -card emmc -forge au-too-large",
		"-registers new -size 8GB", "-registers new -card sdxc -size 1GiB",
	} {
		var stderr bytes.Buffer
		if _, err := parse(strings.Fields(line), &stderr); err == nil || stderr.Len() == 0 {
			t.Errorf("%q: error %v, and told %q", line, err, stderr.String())
		}
		if code := run(ctx, strings.Fields(line), nil, io.Discard, io.Discard); code != usage {
			t.Errorf("%q: exit code %d", line, code)
		}
	}
}

// TestFlagsBecomeRegisters: the sizes are whole units of 512 KiB, which the CSD of an SDHC card tells.
func TestFlagsBecomeRegisters(t *testing.T) {
	for line, c := range map[string]struct {
		sample    string
		sizeBytes int64
		forgeries []string
	}{
		"":                          {"sdhc", 15_931_539_456, nil},
		"-card emmc":                {"emmc", 7_818_182_656, nil},
		"-size 8GiB":                {"sdhc", 8 << 30, nil},
		"-size 64MiB":               {"sdsc", 64 << 20, nil},
		"-card sdxc-a2 -size 64GiB": {"sdxc-a2", 64 << 30, nil},
		"-card sdxc -size 64GiB -forge serial-zero,month-13 -forge wrong-cid-checksum": {
			"sdxc", 64 << 30, []string{"serial-zero", "month-13", "wrong-cid-checksum"},
		},
	} {
		want, err := registers.Sample(c.sample)
		if err == nil {
			want, err = want.Sized(c.sizeBytes)
		}
		if err == nil {
			want, err = registers.Forge(want, c.forgeries...)
		}
		if err != nil {
			t.Fatal(err)
		}
		got, err := parse(strings.Fields("-registers new "+line), io.Discard)
		if err != nil || got.registerFolder != "new" || got.traits.SizeBytes != c.sizeBytes {
			t.Errorf("%q: %+v, %v", line, got, err)
		}
		if diff := cmp.Diff(want, got.registers); diff != "" {
			t.Errorf("%q: %s", line, diff)
		}
	}
	if got, err := parse(strings.Fields("-registers new -forge capacity-outside-class"), io.Discard); err != nil ||
		got.traits.SizeBytes != got.registers.SizeBytes || got.traits.SizeBytes == 15_931_539_456 {
		t.Errorf("a forged size: %+v, %v", got, err)
	}
}

func TestUnknownForgeriesAreAnsweredWithTheList(t *testing.T) {
	var stderr bytes.Buffer
	if _, err := parse(strings.Fields("-registers new -forge honesty"), &stderr); !errors.Is(err, registers.ErrName) {
		t.Error(err)
	}
	for _, name := range registers.ForgeryNames() {
		if !strings.Contains(stderr.String(), name) {
			t.Errorf("%s is not listed in %s", name, stderr.String())
		}
	}
}

func TestImpossibleCardsAreRefused(t *testing.T) {
	for _, line := range []string{"-size 1000", "-size 1MiB -flip 1MiB", "-size 1MiB -digest-bytes 2MiB"} {
		var stdout, stderr bytes.Buffer
		code := run(t.Context(), strings.Fields(line), nil, &stdout, &stderr)
		if code != usage || stdout.Len() != 0 || stderr.Len() == 0 {
			t.Errorf("%q: exit code %d, %q", line, code, stderr.String())
		}
	}
}

func TestHelpIsNoFailure(t *testing.T) {
	var stderr bytes.Buffer
	if _, err := parse([]string{"-help"}, &stderr); !errors.Is(err, flag.ErrHelp) {
		t.Error(err)
	}
	if code := run(t.Context(), []string{"-help"}, nil, io.Discard, io.Discard); code != done {
		t.Errorf("exit code %d", code)
	}
	if !strings.Contains(stderr.String(), "Needs root") {
		t.Error("the help does not say that root is needed")
	}
}
