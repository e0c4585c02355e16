package partition_test

import (
	"strings"
	"testing"

	"cardwright/partition"
)

func TestSameContentOnLargerCardIsNoDifference(t *testing.T) {
	content := twoParts(512).write()
	image := inspect(t, content)
	card := inspectSized(t, content, int64(len(content))+mib, 512)
	if card.SizeBytes == image.SizeBytes || finding(card, "gpt-backup-not-at-end") == nil {
		t.Fatal("the card is not larger than the image")
	}
	if differences := partition.Compare(image, card); len(differences) != 0 {
		t.Errorf("%+v", differences)
	}
}

func TestEveryDifferenceIsTold(t *testing.T) {
	medium := func(fs string, entries ...entry) *partition.Table {
		return inspect(t, withFileSystem(t, mbrMedium(16, entries...), 8192, fs))
	}
	boot, data := entry{0, 0x83, 8192, 8192}, entry{0, 0x83, 16384, 64}
	image := medium("ext4", boot, data)
	otherID := inspect(t, edited(withFileSystem(t, mbrMedium(16, boot, data), 8192, "ext4"), func(c []byte) { c[440]++ }))
	sectors := inspectSized(t, mbrMedium(16, entry{0, 0x83, 1024, 64}), 16*mib, 4096)
	for _, c := range []struct {
		code, evidence string
		image, card    *partition.Table
	}{
		{"card-table-kind-differs", "image: mbr; card: gpt", image, inspect(t, twoParts(512).write())},
		{"card-table-id-differs", "image: 5eedca4d; card: 5eedca4e", image, otherID},
		{"card-sector-size-differs", "image: 512 bytes; card: 4096 bytes", image, sectors},
		{"card-partition-missing", "LBA 16384, 64 sectors", image, medium("ext4", boot)},
		{"card-partition-added", "LBA 24576", image, medium("ext4", boot, data, entry{0, 0x83, 24576, 64})},
		{"card-partition-differs", "card: LBA 16384, 65 sectors", image, medium("ext4", boot, entry{0, 0x83, 16384, 65})},
		{"card-partition-differs", "type 0c, boot", image, medium("ext4", entry{0x80, 0x0C, 8192, 8192}, data)},
		{"card-filesystem-differs", "image: ext4", image, medium("ext2", boot, data)},
		{"card-filesystem-differs", "card: none", image, inspect(t, mbrMedium(16, boot, data))},
		{"card-filesystem-differs", "card: ext2", inspect(t, withFileSystem(t, make([]byte, 4*mib), 0, "ext4")), inspect(t, withFileSystem(t, make([]byte, 4*mib), 0, "ext2"))},
		{"card-not-compared", "card known: false", image, nil},
	} {
		t.Run(c.code, func(t *testing.T) {
			f := findingIn(partition.Compare(c.image, c.card), c.code)
			if f == nil || !strings.Contains(f.Evidence, c.evidence) || f.Severity == partition.Information {
				t.Errorf("%+v", partition.Compare(c.image, c.card))
			}
			if c.card != nil && len(partition.Compare(c.card, c.card)) != 0 {
				t.Error("a table differs from itself")
			}
		})
	}
}
