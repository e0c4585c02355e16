package partition_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"cardwright/partition"
)

const hostileBytes = 64 * mib

func le64(b []byte) uint64 { return binary.LittleEndian.Uint64(b) }

// An edit changes one number of a file system's fields. What it holds then is empty where nothing is to be recognised.
type edit struct {
	name      string
	at, width int // a negative width counts big-endian
	value     uint64
	holds     string
}

func (e edit) apply(content []byte) {
	field := binary.LittleEndian.AppendUint64(nil, e.value)[:max(e.width, -e.width)]
	for i, b := range field {
		at := e.at + i
		if e.width < 0 {
			at = e.at - e.width - 1 - i
		}
		content[at] = b
	}
}

// volumeCases edits a file system that fills a medium of 64 MiB. What the findings must be follows from what it holds.
func volumeCases(kind string, content []byte, edits []edit) (all []badTable) {
	for _, e := range edits {
		all = append(all, volumeCase(kind+": "+e.name, edited(bytes.Clone(content), e.apply), e.holds))
	}
	return all
}

func volumeCase(name string, content []byte, holds string) badTable {
	c := badTable{name, content, hostileBytes, partition.SchemeNone, holds, "unpartitioned"}
	fields := strings.Fields(holds)
	if len(fields) == 0 {
		c.codes = "nothing-recognised"
	} else if size, err := strconv.ParseInt(fields[1], 10, 64); err != nil || size > hostileBytes {
		c.codes = "needs-larger-card unpartitioned"
	}
	return c
}

// badFATs are boot sectors whose sizes make no sense, and chains that do not end. The sector's end is no table by itself: its
// first boot flag is odd.
func badFATs(t *testing.T) []badTable {
	seeds := fatSeeds(t)
	near := edited(bytes.Clone(seeds[3].fields), func(b []byte) { b[446] = 1 }) // FAT32, its directory in the third sector
	fat16 := edited(bytes.Clone(seeds[1].fields), func(b []byte) { b[446] = 1 })
	const sizeAsMade, max32 = "fat32 41943040 ROOT", math.MaxUint32
	all := volumeCases("fat32", near, []edit{
		{"sector size 0", 0x0B, 2, 0, ""},
		{"sector size 1", 0x0B, 2, 1, ""},
		{"sector size 256", 0x0B, 2, 256, ""},
		{"sector size 513", 0x0B, 2, 513, ""},
		{"sector size 8192", 0x0B, 2, 8192, ""},
		{"sector size 65535", 0x0B, 2, 65535, ""},
		{"cluster size 0", 0x0D, 1, 0, ""},
		{"cluster size 3", 0x0D, 1, 3, ""},
		{"cluster size 128", 0x0D, 1, 128, sizeAsMade},
		{"no reserved sector", 0x0E, 2, 0, ""},
		{"65535 reserved sectors", 0x0E, 2, 65535, "fat32 41943040 BOOTSECT"},
		{"no FAT", 0x10, 1, 0, ""},
		{"255 FATs", 0x10, 1, 255, "fat32 41943040 BOOTSECT"},
		{"odd media", 0x15, 1, 0, ""},
		{"a FAT of no sector", 0x24, 4, 0, ""},
		{"a FAT of 2^32-1 sectors", 0x24, 4, max32, ""},
		{"no sector in all", 0x20, 4, 0, ""},
		{"1 sector in all", 0x20, 4, 1, ""},
		{"2^32-1 sectors in all", 0x20, 4, max32, "fat32 2199023255040 ROOT"},
		{"root in cluster 0", 0x2C, 4, 0, "fat32 41943040 BOOTSECT"},
		{"root in cluster 1", 0x2C, 4, 1, "fat32 41943040 BOOTSECT"},
		{"root in the last cluster there can be", 0x2C, 4, max32, "fat32 41943040 BOOTSECT"},
		{"65535 root entries", 0x11, 2, 65535, "fat32 41943040 BOOTSECT"},
	})
	all = append(all, volumeCases("fat16", fat16, []edit{
		{"65535 root entries", 0x11, 2, 65535, "fat16 16777216"},
		{"65535 sectors of a FAT", 0x16, 2, 65535, ""},
		{"1 sector in all", 0x13, 2, 1, ""},
		{"2^32-1 sectors in the field that does not count", 0x20, 4, max32, "fat16 16777216"},
	})...)
	loop := edited(bytes.Clone(near), func(b []byte) {
		b[0x0D] = 1
		binary.LittleEndian.PutUint32(b[512+8:], 2)
		copy(b[1024:1536], bytes.Repeat([]byte{0xE5}, 512)) // deleted entries
	})
	large := edited(bytes.Clone(near), func(b []byte) {
		binary.LittleEndian.PutUint16(b[0x0B:], 4096)
		binary.LittleEndian.PutUint32(b[0x20:], max32)
	})
	return append(
		all,
		volumeCase("fat32: a chain that leads back to itself", loop, "fat32 41943040 BOOTSECT"),
		volumeCase("fat32: 2^32-1 sectors of 4096 bytes", large, "fat32 17592186040320 BOOTSECT"),
	)
}

// badBoots are boot sectors of exFAT and NTFS whose sizes make no sense.
func badBoots(t *testing.T) []badTable {
	exfat, ntfs := exfatSeeds(t)[1].fields, ntfsSeeds(t)[1].fields
	exfat[446], ntfs[446] = 1, 1 // no table
	const max32, max64 = math.MaxUint32, math.MaxUint64
	exfatMade := "exfat " + strconv.FormatUint(le64(exfat[0x48:])*512, 10)
	ntfsMade := "ntfs " + strconv.FormatUint(le64(ntfs[0x28:])*512, 10)
	all := append([]badTable{wrappedNTFS(ntfs)}, volumeCases("exfat", exfat, []edit{
		{"sectors of 2^0 bytes", 0x6C, 1, 0, ""},
		{"sectors of 2^8 bytes", 0x6C, 1, 8, ""},
		{"sectors of 2^13 bytes", 0x6C, 1, 13, ""},
		{"sectors of 2^255 bytes", 0x6C, 1, 255, ""},
		{"clusters of 2^17 sectors", 0x6D, 1, 17, ""},
		{"clusters of 2^255 sectors", 0x6D, 1, 255, ""},
		{"no sector in all", 0x48, 8, 0, "exfat 0 ab"},
		{"2^63 sectors in all", 0x48, 8, 1 << 63, "exfat 9223372036854775807 ab"},
		{"2^64-1 sectors in all", 0x48, 8, max64, "exfat 9223372036854775807 ab"},
		{"its clusters from sector 2^32-1", 0x58, 4, max32, exfatMade},
		{"no cluster", 0x5C, 4, 0, exfatMade},
		{"2^32-1 clusters", 0x5C, 4, max32, exfatMade + " ab"},
		{"root in cluster 0", 0x60, 4, 0, exfatMade},
		{"root in cluster 2^32-1", 0x60, 4, max32, exfatMade},
		{"a label of 255 letters", 545, 1, 255, exfatMade + " ab"},
		{"its FAT at sector 2^32-1", 0x50, 4, max32, exfatMade + " ab"},
	})...)
	return append(all, volumeCases("ntfs", ntfs, []edit{
		{"sector size 0", 0x0B, 2, 0, ""},
		{"sector size 128", 0x0B, 2, 128, ""},
		{"sector size 513", 0x0B, 2, 513, ""},
		{"sector size 65535", 0x0B, 2, 65535, ""},
		{"cluster size 0", 0x0D, 1, 0, ""},
		{"cluster size 127", 0x0D, 1, 127, ""},
		{"clusters of 2^13 sectors", 0x0D, 1, 256 - 13, ""},
		{"clusters of 2^127 sectors", 0x0D, 1, 0x81, ""},
		{"no sector in all", 0x28, 8, 0, "ntfs 0 Nüt fs"},
		{"2^64-1 sectors in all", 0x28, 8, max64, "ntfs 9223372036854775807 Nüt fs"},
		{"its table in cluster 2^64-1", 0x30, 8, max64, ntfsMade},
		{"its table in cluster 2^61", 0x30, 8, 1 << 61, ntfsMade},
		{"records of no cluster", 0x40, 1, 0, ntfsMade},
		{"records of 127 clusters", 0x40, 1, 127, ntfsMade},
		{"records of 2^128 bytes", 0x40, 1, 0x80, ntfsMade},
		{"records of 2^1 bytes", 0x40, 1, 0xFF, ntfsMade},
		{"a record whose first attribute is beyond it", 3072 + 20, 2, 65535, ntfsMade},
		{"a record whose ends are kept beyond it", 3072 + 4, 2, 65535, ntfsMade + " Nüt fs"},
		{"a record with 65535 ends", 3072 + 6, 2, 65535, ntfsMade + " Nüt fs"},
	})...)
}

// wrappedNTFS lies in a partition that ends just below 2^64 bytes. Its file table lies there too, so that its fourth record would
// be in front of it if numbers wrapped around; one that looks like it is in that place.
func wrappedNTFS(near []byte) badTable {
	const clusterBytes, recordBytes, first = 4096, 1 << 16, 34
	table := uint64(math.MaxUint64/clusterBytes) - 4
	content := gptLayout{sectorBytes: 512, sectors: 2048, parts: []gptPart{{
		"EBD0A0A2-B9E5-4433-87C0-68B6B72699C7", diskGUID, "", first, 1<<55 - 2, 0,
	}}}.write()
	volume := content[first*512:]
	copy(volume, near[:512])
	volume[0x0D], volume[0x40] = clusterBytes/512, 256-16
	binary.LittleEndian.PutUint64(volume[0x30:], table)
	copy(volume[table*clusterBytes+ntfsVolumeRecord*recordBytes:], near[3072:])
	size := le64(near[0x28:]) * 512
	return badTable{
		"ntfs: its table would wrap around", content, 0, partition.SchemeGPT, fmt.Sprintf("ntfs %d", size),
		"needs-larger-card partition-beyond-end partition-outside-usable",
	}
}

// ntfsVolumeRecord is the number of the record that holds the label.
const ntfsVolumeRecord = 3

// badSuperblocks have a size or a block size that overflows what a medium can have, or that is none.
func badSuperblocks(t *testing.T) []badTable {
	const max32, max64, most = math.MaxUint32, math.MaxUint64, "9223372036854775807"
	start := func(kind string, length int) []byte {
		content := expand(t, "filesystems/"+kind+".zst")
		return content[:min(len(content), length)]
	}
	var all []badTable
	add := func(kind string, content []byte, edits ...edit) {
		all = append(all, volumeCases(kind, content, edits)...)
	}
	ext := edited(start("ext4", 4096), func(b []byte) { edit{at: 0x418, width: 4, value: 6}.apply(b) }) // blocks of 64 KiB
	add(
		"ext4", ext,
		edit{"2^64-2^32 blocks and more", 0x550, 4, max32, "ext4 " + most + " sixteen-letters-"},
		edit{"2^63 bytes", 0x550, 4, 1 << 15, "ext4 " + most + " sixteen-letters-"},
		edit{"blocks of 2^17 bytes", 0x418, 4, 7, ""},
		edit{"blocks of 2^(10+2^32-1) bytes", 0x418, 4, max32, ""},
		edit{"no block", 0x404, 4, 0, ""},
		edit{"a journal's own device", 0x460, 4, 8, ""},
	)
	add(
		"xfs", start("xfs", 4096),
		edit{"2^64-1 blocks", 0x08, -8, max64, "xfs " + most + " xl"},
		edit{"no block", 0x08, -8, 0, "xfs 0 xl"},
		edit{"blocks of no byte", 0x04, -4, 0, ""},
		edit{"blocks of 513 bytes", 0x04, -4, 513, ""},
		edit{"blocks of 2^31 bytes", 0x04, -4, 1 << 31, ""},
	)
	btrfsDevice := fmt.Sprintf("btrfs %d b l", le64(start("btrfs", 0x11000)[0x100D1:]))
	add(
		"btrfs", start("btrfs", 0x11000),
		edit{"2^64-1 bytes", 0x10070, 8, max64, "btrfs " + most + " b l"},
		edit{"no byte", 0x10070, 8, 0, "btrfs 0 b l"},
		edit{"2^64-1 devices, of which this one counts", 0x10088, 8, max64, btrfsDevice},
	)
	one := start("f2fs", 0x1000) // without the second superblock
	add(
		"f2fs", one,
		edit{"2^64-1 blocks", 0x424, 8, max64, "f2fs " + most + " f2 Lä"},
		edit{"blocks of 2^0 bytes", 0x410, 4, 0, ""},
		edit{"blocks of 2^17 bytes", 0x410, 4, 17, ""},
		edit{"blocks of 2^(2^32-1) bytes", 0x410, 4, max32, ""},
	)
	add(
		"squashfs", start("squashfs", 4096),
		edit{"2^64-1 bytes", 0x28, 8, max64, "squashfs " + most},
		edit{"no byte", 0x28, 8, 0, "squashfs 0"},
		edit{"version 65535", 0x1C, 2, 65535, ""},
	)
	add(
		"erofs", start("erofs", 4096),
		edit{"2^32-1 blocks", 0x424, 4, max32, "erofs 17592186040320"},
		edit{"blocks of 2^8 bytes", 0x40C, 1, 8, ""},
		edit{"blocks of 2^255 bytes", 0x40C, 1, 255, ""},
	)
	add(
		"swap", start("swap", 4096),
		edit{"2^32 pages", 0x404, 4, max32, "swap 17592186044416 sl"},
		edit{"version 2", 0x400, 4, 2, ""},
		edit{"version 2^32-1", 0x400, 4, max32, ""},
	)
	far := make([]byte, 1<<16)
	copy(far[0x400:], start("swap", 4096)[0x400:0x42C])
	copy(far[1<<16-10:], "SWAPSPACE2")
	add("swap of pages of 64 KiB", far, edit{"2^32 pages", 0x404, 4, max32, "swap 281474976710656 sl"})
	add(
		"luks1", start("luks1", 512),
		edit{"version 0", 6, -2, 0, ""},
		edit{"version 3", 6, -2, 3, ""},
		edit{"version 65535", 6, -2, 65535, ""},
	)
	second := luksSecondSignature().whole(luksSecondSeeds(t)[0].fields)
	add(
		"luks2", second,
		edit{"a second header made for byte 0", 0x4100, -8, 0, ""},
		edit{"a second header made for byte 2^64-1", 0x4100, -8, max64, ""},
	)
	return all
}

// badDescriptors are those of ISO 9660.
func badDescriptors(t *testing.T) []badTable {
	content := expand(t, "filesystems/iso9660.zst")
	content = content[:min(len(content), 0x8000+3*2048)]
	list := make([]byte, 0x8000+40*2048)
	for at := 0x8000; at < len(list); at += 2048 {
		copy(list[at:], content[0x8000:][:2048])
	}
	bare := bytes.Clone(list)
	for at := 0x8000; at < len(bare); at += 2048 {
		bare[at] = 0 // boot records, none of them the primary descriptor
	}
	return append(volumeCases("iso9660", content, []edit{
		{"2^32-1 blocks", 0x8050, 4, math.MaxUint32, "iso9660 8796093020160 MyISO"},
		{"blocks of no byte", 0x8080, 2, 0, "iso9660 0 MyISO"},
		{"no descriptor of the volume", 0x8000, 1, 77, ""},
	}), volumeCase("iso9660: descriptors without end, no volume's", bare, ""))
}

// crowdedMedia are large tables of volumes that each take as long to look at as can be.
func crowdedMedia(t *testing.T) []badTable {
	g := gptLayout{sectorBytes: 512, sectors: 16384, count: 300}
	for range 300 {
		g.parts = append(g.parts, gptPart{linuxData, diskGUID, "", 4096, 8191, 0})
	}
	content := g.write()
	copy(content[4096*512:], slowVolume(t))
	return []badTable{{
		"300 volumes without end", content, 0, partition.SchemeGPT, "exfat 0",
		"many-partitions partitions-overlap several-signatures type-content-mismatch",
	}}
}

// slowVolume bears all at once: no LUKS header but room for all, an exFAT and a FAT32 boot sector in one, each with a directory
// whose chain leads back to itself, ISO 9660 descriptors without end, and swap space of the largest pages.
func slowVolume(t *testing.T) []byte {
	t.Helper()
	volume := make([]byte, 2<<20)
	boot := volume[:512]
	copy(boot, "\xeb\x58\x90EXFAT   ")
	put16, put32 := binary.LittleEndian.PutUint16, binary.LittleEndian.PutUint32
	put16(boot[0x0B:], 512)
	boot[0x0D], boot[0x10], boot[0x15] = 1, 1, 0xF8
	put16(boot[0x0E:], 1)
	put32(boot[0x20:], 4096)
	put32(boot[0x24:], 1)
	put32(boot[0x2C:], 2)
	put32(boot[0x50:], 1) // exFAT's file allocation table in the same place
	put32(boot[0x58:], 2)
	put32(boot[0x5C:], 1000)
	put32(boot[0x60:], 2)
	boot[0x6C] = 9
	boot[510], boot[511] = 0x55, 0xAA
	put32(volume[512+8:], 2)
	copy(volume[1024:1536], bytes.Repeat([]byte{0xE5}, 512))
	for at := 0x8000; at < 0x8000+40*2048; at += 2048 {
		copy(volume[at:], "\x00CD001")
	}
	copy(volume[1<<16-10:], "SWAPSPACE2")
	return volume
}
