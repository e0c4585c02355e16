//go:build device

package e2e_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"

	"cardwright/internal/cardlab"
)

// blockOf gives the place of a block of the image.
func blockOf(index int64) int64 { return index * blockBytes }

// inRootFS is what damage of the GPT image's blocks 9 to 32 lies in: LBA 71680 to 276479 is the second partition.
const inRootFS = "partition 2 (ext4 rootfs-a)"

// TestDamageIsMapped has cards spoil what they were given in one known way each.
func TestDamageIsMapped(t *testing.T) {
	image := gptImage()
	for name, c := range map[string]struct {
		traits cardlab.Traits
		want   damageDoc
	}{
		"one bit flips on its way to the medium": {
			cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: blockOf(12) + 12345, Mask: 0x10}}},
			damageDoc{Offset: blockOf(12), Length: blockBytes, Kind: "changed", Partition: inRootFS},
		},
		"one sector cannot be read": {
			cardlab.Traits{Bad: []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: blockOf(20) + 8192, LengthBytes: 512}, Read: true}}},
			damageDoc{Offset: blockOf(20), Length: blockBytes, Kind: "unreadable", Partition: inRootFS},
		},
		"two blocks read differently each time": {
			cardlab.Traits{Unstable: []cardlab.Span{{OffsetBytes: blockOf(15) - 512, LengthBytes: 1024}}},
			damageDoc{Offset: blockOf(14), Length: 2 * blockBytes, Kind: "unstable", Partition: inRootFS},
		},
	} {
		t.Run(name, func(t *testing.T) {
			c.traits.SizeBytes, c.traits.Seed = 192*mib, 8
			card := seat(t, c.traits)
			told := flashToDamaged(t, image, card)
			if len(told.Proof.Damage) != 1 || told.Proof.Damage[0] != c.want || told.Proof.TrueSize != nil {
				t.Errorf("the damage is told as %+v (true size %v)\nwant %+v", told.Proof.Damage, told.Proof.TrueSize, c.want)
			}
		})
	}
}

// TestForgottenWritesAreOldContent has a worn-out card say yes to writes that it forgets. What it held before is on it.
func TestForgottenWritesAreOldContent(t *testing.T) {
	const firstForgotten = 13
	image := gptImage()
	card := seat(t, cardlab.Traits{
		SizeBytes: 192 * mib, Seed: 24, ReadOnlyDrops: true, ReadOnlyAfterBytes: 2*clearBytes + blockOf(firstForgotten-1),
	})
	told := flashToDamaged(t, image, card)
	want := damageDoc{Offset: blockOf(firstForgotten), Length: image.imageBytes - blockOf(firstForgotten), Kind: "changed"}
	if len(told.Proof.Damage) != 1 || !sameDamage(told.Proof.Damage[0], want) {
		t.Fatalf("the damage is told as %s\nwant %s", shown(told.Proof.Damage), shown([]damageDoc{want}))
	}
	if place := told.Proof.Damage[0].Partition; !strings.Contains(place, inRootFS) || !strings.Contains(place, "partition 3 (ext4 data)") {
		t.Errorf("the damage lies in %q", place)
	}
}

// TestCheckFindsWhatChangedLater changes one byte of an intact card behind the program's back.
func TestCheckFindsWhatChangedLater(t *testing.T) {
	image := gptImage()
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 25})
	run(t, 0, flashTo(image.path(t), []*seated{card})...)
	changed := blockOf(17) + 4321
	disk, err := os.OpenFile(card.path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer disk.Close()
	if _, err := disk.WriteAt([]byte{^card.Truth().Read(changed, 1)[0]}, changed); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(disk.Sync(), disk.Close()); err != nil {
		t.Fatal(err)
	}
	told := onlyCard(t, decode[flashDocument](t, run(t, 6, "check", card.path, "--image", image.path(t), "--json").stdout))
	want := damageDoc{Offset: blockOf(17), Length: blockBytes, Kind: "changed", Partition: inRootFS}
	if told.Verdict != "damaged" || told.Proof == nil || len(told.Proof.Damage) != 1 || told.Proof.Damage[0] != want {
		t.Errorf("the check says %+v, %+v", told, told.Proof)
	}
}

// TestTrueSizeToTheSector has cards wrap within a block. The program reads the image a second time to find the sector.
func TestTrueSizeToTheSector(t *testing.T) {
	image := gptImage()
	for _, trueBytes := range []int64{blockOf(24) + 512*333, blockOf(36) - 512} {
		card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, TrueSizeBytes: trueBytes, Beyond: cardlab.Wrap, Seed: 26})
		told := flashToDamaged(t, image, card)
		if told.Proof.TrueSize == nil || *told.Proof.TrueSize != trueBytes {
			t.Errorf("a true size of %d bytes is told as %v: %s", trueBytes, told.Proof.TrueSize, shown(told.Proof.Damage))
		}
	}
}

// TestShortCardsAreMapped has cards hold less than they state. What must be found is worked out from the image, as xz's
// sister decodes it, and from what such a card does.
func TestShortCardsAreMapped(t *testing.T) {
	const trueBlocks = 24 // 96 MiB of the image's 160 MiB
	image := gptImage()
	blocks := slices.Collect(slices.Chunk(image.unpacked(t), blockBytes))
	for name, c := range map[string]struct {
		beyond   cardlab.Beyond
		want     []damageDoc
		trueSize int64 // 0: not told
	}{
		"drops": {cardlab.Drop, dropped(blocks, trueBlocks), 0},
		"wraps": {cardlab.Wrap, wrapped(blocks, trueBlocks), trueBlocks * blockBytes},
	} {
		t.Run(name, func(t *testing.T) {
			card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, TrueSizeBytes: blockOf(trueBlocks), Beyond: c.beyond, Seed: 9})
			told := flashToDamaged(t, image, card)
			if len(c.want) == 0 || !slices.EqualFunc(told.Proof.Damage, c.want, sameDamage) {
				t.Errorf("the damage is told as %s\nwant %s", shown(told.Proof.Damage), shown(c.want))
			}
			if size := told.Proof.TrueSize; (size != nil) != (c.trueSize != 0) || size != nil && *size != c.trueSize {
				t.Errorf("the true size is told as %v, want %d", size, c.trueSize)
			}
			for _, d := range told.Proof.Damage {
				if !strings.Contains(d.Partition, "partition ") {
					t.Errorf("damage at %d lies in %q", d.Offset, d.Partition)
				}
			}
		})
	}
}

// flashToDamaged writes the image to a card that spoils it, and expects what holds for every such card.
func flashToDamaged(t *testing.T, image boardImage, card *seated) cardDoc {
	t.Helper()
	told := onlyCard(t, decode[flashDocument](t, run(t, 6, flashTo(image.path(t), []*seated{card})...).stdout))
	if told.Verdict != "damaged" || told.Proof == nil || told.Error != nil {
		t.Fatalf("the card is told as %+v, %+v", told, told.Error)
	}
	card.expectNoHead(t)
	return told
}

// dropped is the damage of a card that forgets what lies past its end and reads zeros there.
func dropped(blocks [][]byte, trueBlocks int) (want []damageDoc) {
	for i := trueBlocks; i < len(blocks); i++ {
		if !isZero(blocks[i]) {
			want = joined(want, damageDoc{Offset: blockOf(int64(i)), Length: int64(len(blocks[i])), Kind: "zeros"})
		}
	}
	return want
}

// wrapped is the damage of a card that puts block n+k in the place of block k. The head is not written yet when the body
// is proven; its place is damaged when another block went there.
func wrapped(blocks [][]byte, trueBlocks int) (want []damageDoc) {
	for i := range len(blocks) - trueBlocks {
		held := blocks[i+trueBlocks]
		from := blockOf(int64(i + trueBlocks))
		damage := damageDoc{Offset: blockOf(int64(i)), Length: blockBytes, Kind: "displaced", From: &from}
		switch {
		case bytes.Equal(held, blocks[i]), i == 0 && isZero(held):
			continue
		case isZero(held):
			damage.Kind, damage.From = "zeros", nil
		case occurrences(blocks, held) > 1:
			damage.Kind, damage.From = "changed", nil
		}
		want = joined(want, damage)
	}
	return want
}

// joined adds damage to a list, as one with its neighbour of the same kind and distance.
func joined(list []damageDoc, next damageDoc) []damageDoc {
	if len(list) > 0 {
		last := &list[len(list)-1]
		sameWay := last.From == nil && next.From == nil ||
			last.From != nil && next.From != nil && *last.From-last.Offset == *next.From-next.Offset
		if last.Kind == next.Kind && last.Offset+last.Length == next.Offset && sameWay {
			last.Length += next.Length
			return list
		}
	}
	return append(list, next)
}

func isZero(block []byte) bool { return bytes.Equal(block, make([]byte, len(block))) }

func occurrences(blocks [][]byte, content []byte) (count int) {
	wanted := sha256.Sum256(content)
	for _, b := range blocks {
		if sha256.Sum256(b) == wanted {
			count++
		}
	}
	return count
}

// sameDamage compares all but the partition.
func sameDamage(a, b damageDoc) bool {
	sameFrom := a.From == nil && b.From == nil || a.From != nil && b.From != nil && *a.From == *b.From
	return a.Offset == b.Offset && a.Length == b.Length && a.Kind == b.Kind && sameFrom
}
