package partition_test

import (
	"bytes"
	"slices"
	"testing"

	"cardwright/partition"
)

// lookedInto are the seeds of every kind that is looked into for files, each a fresh file system; those of others show that they
// are left alone.
func lookedInto(t testing.TB) []seed {
	return slices.Concat(fatSeeds(t), extSeeds(t), exfatSeeds(t), f2fsSeeds(t), swapSeeds(t))
}

// fuzzedBytes is small: most of a larger medium would be looked at in vain for something written.
const fuzzedBytes = mib

// fuzzedMedia lays a seed's fields into a file system of its kind, alone and in a partition.
func fuzzedMedia(s seed, fields []byte) [][]byte {
	return [][]byte{s.whole(fields), s.partitioned(fields)}
}

// FuzzOccupied mutates file systems that hold nothing, and tells what they hold then.
func FuzzOccupied(f *testing.F) {
	seeds := lookedInto(f)
	for i, s := range seeds {
		f.Add(uint8(i), s.fields)
	}
	f.Fuzz(func(t *testing.T, which uint8, fields []byte) {
		for _, content := range fuzzedMedia(seeds[int(which)%len(seeds)], fields) {
			table := inspectSized(t, content, fuzzedBytes, 512)
			holdings := occupiedSoundly(t, content, table)
			for _, h := range holdings {
				if h.Kind == "swap" && h.Holds != unknown {
					t.Errorf("%+v", h)
				}
			}
		}
	})
}

// FuzzImprint mutates one byte of a mutated file system, and holds the two imprints against each other.
func FuzzImprint(f *testing.F) {
	seeds := lookedInto(f)
	for i, s := range seeds {
		f.Add(uint8(i), s.fields, uint16(0x30), byte(1))
		f.Add(uint8(i), s.fields, uint16(len(s.fields)-1), byte(0x80))
	}
	f.Fuzz(func(t *testing.T, which uint8, fields []byte, at uint16, flip byte) {
		touched := bytes.Clone(fields)
		if int(at) < len(touched) {
			touched[at] ^= flip
		}
		s := seeds[int(which)%len(seeds)]
		then, now := fuzzedMedia(s, fields), fuzzedMedia(s, touched)
		for i := range then {
			a := imprintSoundly(t, then[i], inspectSized(t, then[i], fuzzedBytes, 512))
			b := imprintSoundly(t, now[i], inspectSized(t, now[i], fuzzedBytes, 512))
			if a != nil && b != nil {
				changesSoundly(t, a, b)
			}
		}
	})
}

// TestSeedsOfLooksAreLookedInto shows that mutation starts within the decoders: of each kind one seed's numbers are reached.
func TestSeedsOfLooksAreLookedInto(t *testing.T) {
	seen, imprints := map[string]partition.Holds{}, 0
	for _, s := range lookedInto(t) {
		content := s.whole(s.fields)
		table := inspectSized(t, content, 64*mib, 512)
		if h := occupiedSoundly(t, content, table); len(h) == 1 && seen[s.kind] != nothing {
			seen[s.kind] = h[0].Holds
		}
		if imprintSoundly(t, content, table) != nil {
			imprints++
		}
	}
	for _, kind := range []string{"ext2", "ext3", "ext4"} {
		if seen[kind] != nothing {
			t.Errorf("the seed of %s holds %q", kind, seen[kind])
		}
	}
	if len(seen) != 9 || imprints < 8 {
		t.Errorf("%d kinds, %d imprints: %v", len(seen), imprints, seen)
	}
}
