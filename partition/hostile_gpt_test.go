package partition_test

import (
	"encoding/binary"
	"fmt"
	"math"

	"cardwright/partition"
)

// bothCopies edits both headers of a sound small GPT, and makes the checksum of its entries right where they can be reached.
func bothCopies(edit func(header []byte)) []byte {
	return edited(smallGPT(smallParts()...), func(c []byte) {
		for _, at := range []int{512, smallBackup} {
			edit(c[at:][:512])
			sealGPT(c, at)
		}
	})
}

// badGPTs have fields that lead out of the medium, or ask for more than there is.
func badGPTs() []badTable {
	put32 := func(at int, value uint32) func([]byte) {
		return func(h []byte) { binary.LittleEndian.PutUint32(h[at:], value) }
	}
	put64 := func(at int, value uint64) func([]byte) {
		return func(h []byte) { binary.LittleEndian.PutUint64(h[at:], value) }
	}
	var all []badTable
	add := func(name, codes string, content []byte) {
		all = append(all, badTable{name, content, 0, partition.SchemeGPT, "", codes})
	}
	const malformed = "gpt-damaged gpt-header-malformed"
	for _, count := range []uint32{1<<20/128 + 1, 1 << 24, 1 << 25, 1 << 31, math.MaxUint32} {
		add(fmt.Sprintf("%d entries", count), malformed, bothCopies(put32(80, count)))
	}
	for _, stride := range []uint32{0, 1, 64, 127, 129, 192, 384, 1 << 14, 1 << 20, 1 << 31, math.MaxUint32} {
		add(fmt.Sprintf("entries of %d bytes", stride), malformed, bothCopies(put32(84, stride)))
	}
	add("no entry", "", bothCopies(put32(80, 0)))
	add("entries that reach the end of the medium", "gpt-damaged gpt-entries-missing", bothCopies(put32(80, 8192)))
	for _, lba := range []uint64{smallGPTSectors, 1 << 32, 1 << 55, 1<<55 + 1, 1 << 63, math.MaxUint64 - 1, math.MaxUint64} {
		add(fmt.Sprintf("entries at LBA %d", lba), "gpt-damaged gpt-entries-missing", bothCopies(put64(72, lba)))
	}
	for _, length := range []uint32{0, 1, 19, 20, 91, 513, 1 << 31, math.MaxUint32} {
		content := edited(smallGPT(smallParts()...), func(c []byte) { put32(12, length)(c[512:]); put32(12, length)(c[smallBackup:]) })
		add(fmt.Sprintf("headers of %d bytes", length), malformed, content)
	}
	for _, lba := range []uint64{0, 2, 1 << 55, math.MaxUint64} {
		add(fmt.Sprintf("headers made for LBA %d", lba), "gpt-damaged gpt-header-misplaced", bothCopies(put64(24, lba)))
	}
	add("last usable before the first", malformed, bothCopies(func(h []byte) { put64(40, 94)(h); put64(48, 34)(h) }))
	add("usable from LBA 0 to the last", malformed, bothCopies(func(h []byte) { put64(40, 0)(h); put64(48, math.MaxUint64)(h) }))
	add("usable at the last LBA alone", "partition-outside-usable", bothCopies(func(h []byte) {
		put64(40, math.MaxUint64)(h)
		put64(48, math.MaxUint64)(h)
	}))
	for _, lba := range []uint64{smallGPTSectors, 1 << 55, 1 << 63, math.MaxUint64} {
		content := edited(smallGPT(smallParts()...), func(c []byte) { put64(32, lba)(c[512:]); sealGPT(c, 512) })
		add(fmt.Sprintf("backup at LBA %d", lba), "gpt-backup-beyond-end needs-larger-card", content)
	}
	for _, lba := range []uint64{0, 1} { // 1 is its own place
		content := edited(smallGPT(smallParts()...), func(c []byte) { put64(32, lba)(c[512:]); sealGPT(c, 512) })
		add(fmt.Sprintf("backup at LBA %d", lba), "gpt-backup-missing gpt-remains", content)
	}
	return all
}

// badPlaces are partitions of a sound GPT that lie where none can.
func badPlaces() (all []badTable) {
	const last, beyond = math.MaxUint64, "partition-beyond-end partition-outside-usable"
	for _, c := range []struct {
		first, last uint64
		codes       string
	}{
		{0, 0, "partition-covers-table partition-outside-usable"},
		{0, last, "partition-beyond-end partition-covers-table partition-outside-usable"},
		{1, last, beyond},
		{last, last, beyond},
		{last - 1, last, beyond},
		{last, 0, "partition-ends-before-start"},
		{1 << 55, 1<<55 + 1, beyond},
		{1<<55 - 1, 1<<55 - 1, beyond},
		{1<<55 - 2, 1<<55 - 2, "needs-larger-card " + beyond},
		{60, 59, "partition-ends-before-start"},
		{60, 0, "partition-ends-before-start"},
		{1 << 63, 1<<63 + 10, beyond},
	} {
		all = append(all, badTable{
			fmt.Sprintf("partition from LBA %d to %d", c.first, c.last),
			smallGPT(gptPart{linuxData, diskGUID, "\u202e\x1b[2J", c.first, c.last, 0}), 0,
			partition.SchemeGPT, "", c.codes,
		})
	}
	return all
}

// badHybrids are MBRs beside a GPT.
func badHybrids() []badTable {
	sound := func(entries ...entry) []byte {
		return edited(smallGPT(smallParts()...), func(c []byte) { clear(c[:512]); putMBR(c, 1, entries...) })
	}
	bare := func(entries ...entry) []byte { return mbrMedium(1, entries...)[:64<<10] }
	const max32 = math.MaxUint32
	return []badTable{
		{"protective entry in the last slot", sound(entry{}, entry{}, entry{}, entry{0, 0xEE, 1, 127}), 0, partition.SchemeGPT, "", ""},
		{"protective entry without sectors", sound(entry{0, 0xEE, 1, 0}), 0, partition.SchemeGPT, "", ""},
		{"protective entry of all sectors", sound(entry{0, 0xEE, 0, max32}), 0, partition.SchemeGPT, "", ""},
		{"two protective entries", sound(entry{0, 0xEE, 1, 127}, entry{0, 0xEE, 1, max32}), 0, partition.SchemeGPT, "", ""},
		{"hybrid", sound(entry{0, 0xEE, 1, 33}, entry{0, 0x0C, 34, 27}), 0, partition.SchemeHybrid, "", "hybrid-mbr"},
		{
			"hybrid of other places",
			sound(entry{0, 0xEE, 1, 33}, entry{0, 0x0C, 35, 27}, entry{0, 0x83, 0, max32}, entry{0, 0x05, max32, max32}),
			0, partition.SchemeHybrid, "", "hybrid-entry-unmatched hybrid-mbr",
		},
		{
			"hybrid without a GPT", bare(entry{0, 0xEE, 1, 33}, entry{0, 0x0C, 0, max32}, entry{0, 0x05, 1, 1}),
			0, partition.SchemeHybrid, "", "gpt-damaged hybrid-mbr needs-larger-card partition-beyond-end " +
				"partition-covers-table partitions-overlap",
		},
		{"protective without a GPT", bare(entry{0, 0xEE, 1, max32}), 0, partition.SchemeGPT, "", "gpt-damaged"},
		{"MBR beside a GPT", sound(entry{0, 0x83, 34, 27}), 0, partition.SchemeMBR, "", "gpt-remains"},
		{
			"GPT without an MBR", edited(smallGPT(smallParts()...), func(c []byte) { clear(c[:512]) }),
			0, partition.SchemeGPT, "", "protective-mbr-missing",
		},
	}
}
