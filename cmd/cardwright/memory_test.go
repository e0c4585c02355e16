package main

import (
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"

	"cardwright/internal/job"
)

// proc(5): MemTotal is the usable memory in kibibytes.
func TestDefaultMemoryIsAQuarterOfTheMachinesAtMost(t *testing.T) {
	info, err := os.ReadFile("/proc/meminfo")
	if err != nil {
		t.Fatal(err)
	}
	fields := strings.Fields(string(info)) // "MemTotal:" comes first
	kibibytes, err := strconv.ParseInt(fields[1], 10, 64)
	if err != nil || fields[0] != "MemTotal:" {
		t.Fatal(fields[:2], err)
	}
	if got, want := defaultMemory(), min(512<<20, kibibytes<<10/4); got != want {
		t.Errorf("the default is %d, want %d", got, want)
	}
}

// What the collector keeps to lies below what the program may take by what it does not see in time: 17 MiB of the program's own file
// and 11 MiB of large pieces, twice what was measured of them.
func TestDecodingGetsWhatIsLeft(t *testing.T) {
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(-1))
	const unseen = 17 + 11
	for _, c := range []struct {
		whole int64
		cards int
		want  int64
		limit int64
	}{
		{512 << 20, 1, (512 - 40 - 4*(5+3)) << 20, (512 - unseen) << 20},
		{512 << 20, 4, (512 - 40 - 4*(5+12)) << 20, (512 - unseen) << 20},
		{64 << 20, 4, 1 << 20, (40 + 4*(5+12) + 32 - unseen) << 20},
	} {
		if got := decodingMemory(c.whole, job.BufferBytes(c.cards)); got != c.want {
			t.Errorf("of %d bytes with %d cards, decoding gets %d, want %d", c.whole, c.cards, got, c.want)
		}
		keepWithin(c.whole, job.BufferBytes(c.cards))
		if limit := debug.SetMemoryLimit(-1); limit != c.limit {
			t.Errorf("the collector keeps to %d, want %d", limit, c.limit)
		}
	}
}
