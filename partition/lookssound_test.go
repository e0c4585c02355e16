package partition_test

import (
	"encoding/json"
	"errors"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/partition"
)

// What a look at a medium whose table is known stays within, whatever the medium holds: 64 MiB in all, read in no smaller pieces
// than 4 KiB but for the medium's end.
const (
	mostLookedBytes = 64 << 20
	mostLooks       = mostLookedBytes/4096 + 256
)

// within holds a look to its bounds; the medium itself refuses what is not whole sectors inside it.
func within(t testing.TB, content []byte, table *partition.Table, look func(medium *strictMedium)) {
	t.Helper()
	medium := &strictMedium{t: t, content: content, sizeBytes: table.SizeBytes, sectorBytes: 512}
	before, start := allocatedBytes(), time.Now()
	look(medium)
	allocated := int64(allocatedBytes() - before)
	if medium.reads > mostLooks || medium.askedBytes > mostLookedBytes {
		t.Errorf("%d reads of %d bytes in all", medium.reads, medium.askedBytes)
	}
	if taken := time.Since(start); taken > mostTime {
		t.Errorf("it took %v", taken)
	}
	if allocated > 2*medium.askedBytes+mostSpareBytes {
		t.Errorf("%d bytes were allocated to read %d", allocated, medium.askedBytes)
	}
}

// occupiedSoundly tells what a hostile medium holds, and holds what must be true of any answer.
func occupiedSoundly(t testing.TB, content []byte, table *partition.Table) []partition.Holding {
	t.Helper()
	var first, again []partition.Holding
	for _, into := range []*[]partition.Holding{&first, &again} {
		within(t, content, table, func(medium *strictMedium) {
			var err error
			if *into, err = partition.Occupied(medium, table.SizeBytes, table); err != nil {
				t.Fatal(err)
			}
		})
	}
	if !reflect.DeepEqual(first, again) {
		t.Errorf("the same medium holds %+v, and then %+v", first, again)
	}
	empty := true
	for _, h := range first {
		if !slices.Contains([]partition.Holds{nothing, files, unknown}, h.Holds) || h.Evidence == "" {
			t.Errorf("%+v", h)
		}
		empty = empty && h.Holds == nothing
	}
	faulty := slices.ContainsFunc(table.Findings, func(f partition.Finding) bool { return f.Severity == partition.Fault })
	if len(first) == 0 || empty && faulty {
		t.Errorf("%+v with %+v", first, table.Findings)
	}
	return first
}

// imprintSoundly takes the imprint of a hostile medium, and holds what must be true of any. It gives nil where none can be taken.
func imprintSoundly(t testing.TB, content []byte, table *partition.Table) *partition.Imprint {
	t.Helper()
	var first, again *partition.Imprint
	for _, into := range []**partition.Imprint{&first, &again} {
		within(t, content, table, func(medium *strictMedium) {
			var err error
			if *into, err = partition.TakeImprint(medium, table); err != nil && !errors.Is(err, partition.ErrNoImprint) {
				t.Fatal(err)
			}
			if (err == nil) != (*into != nil) {
				t.Fatalf("%+v beside %v", *into, err)
			}
		})
	}
	if !reflect.DeepEqual(first, again) {
		t.Errorf("the same medium has the imprint %+v, and then %+v", first, again)
	}
	if first == nil {
		return nil
	}
	document, err := json.Marshal(first)
	if err != nil {
		t.Fatal(err)
	}
	var read partition.Imprint
	if err := json.Unmarshal(document, &read); err != nil || read.Volumes == nil {
		t.Fatalf("%s: %v", document, err)
	}
	if changes := read.Changes(first); len(changes) > 0 {
		t.Errorf("nothing happened, and %q", changes)
	}
	return first
}

// changesSoundly holds two imprints against each other both ways.
func changesSoundly(t testing.TB, a, b *partition.Imprint) {
	t.Helper()
	there, back := a.Changes(b), b.Changes(a)
	if same := a.Digest == b.Digest; same != (len(there) == 0) || same != (len(back) == 0) {
		t.Errorf("the same: %t, told: %q and %q", same, there, back)
	}
	for _, sentence := range slices.Concat(there, back) {
		if sentence == "" || strings.ContainsAny(sentence, "\x1b\n\x00") {
			t.Errorf("%q", sentence)
		}
	}
}
