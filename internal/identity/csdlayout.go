package identity

import (
	"fmt"
	"slices"
)

// fixedFields are what structures 2.0 and 3.0 fix (Physical Layer Specification 4.10, 5.3.3).
var fixedFields = map[string]uint64{
	"TAAC": 0x0e, "NSAC": 0, "READ_BL_LEN": 9, "READ_BL_PARTIAL": 0, "WRITE_BLK_MISALIGN": 0, "READ_BLK_MISALIGN": 0,
	"ERASE_BLK_EN": 1, "SECTOR_SIZE": 0x7f, "WP_GRP_SIZE": 0, "WP_GRP_ENABLE": 0, "R2W_FACTOR": 2, "WRITE_BL_LEN": 9,
	"WRITE_BL_PARTIAL": 0, "FILE_FORMAT_GRP": 0, "FILE_FORMAT": 0,
}

// fixed tells of each field that has one value alone whether it has it.
func fixed(layout []span) []span {
	for i, s := range layout {
		if value, is := fixedFields[s.name]; is {
			layout[i].means = fixedTo(value, s.means)
		}
	}
	return layout
}

// sdLayout is the CSD of an SD card but for its last byte, with the fields of the size in the middle.
func sdLayout(size []span) []span {
	start := []span{
		{"CSD_STRUCTURE", 127, 126, sdStructures},
		{reserved, 125, 120, nil},
	}
	erase := []span{
		{"ERASE_BLK_EN", 46, 46, codes("erases SECTOR_SIZE at once", "erases single blocks")},
		{"SECTOR_SIZE", 45, 39, counted(1, "blocks are erased at once")},
		{"WP_GRP_SIZE", 38, 32, counted(1, "erase units are protected at once")},
		{"WP_GRP_ENABLE", 31, 31, possible},
		{reserved, 30, 29, nil},
	}
	rights := []span{{reserved, 20, 16, nil}}
	end := []span{{reserved, 9, 8, nil}}
	return slices.Concat(start, accessSpans(sdTenths, blockLength(9, 11)), size, erase,
		writeSpans(slowdown(5), blockLength(9, 11)), rights, protectSpans(), end)
}

// emmcLayout is the CSD of an eMMC but for its last byte.
func emmcLayout(capacityBytes int64) []span {
	start := []span{
		{"CSD_STRUCTURE", 127, 126, emmcStructures},
		{"SPEC_VERS", 125, 122, codes("1.0 to 1.2", "1.4", "2.0 to 2.2", "3.1 to 3.31", "4.0 and later")},
		{reserved, 121, 120, nil},
	}
	erase := []span{
		{"ERASE_GRP_SIZE", 46, 42, counted(1, "times ERASE_GRP_MULT's number of blocks are erased at once")},
		{"ERASE_GRP_MULT", 41, 37, counted(1, "times ERASE_GRP_SIZE's number of blocks are erased at once")},
		{"WP_GRP_SIZE", 36, 32, counted(1, "erase units are protected at once")},
		{"WP_GRP_ENABLE", 31, 31, possible},
		{"DEFAULT_ECC", 30, 29, eccCode},
	}
	rights := []span{{reserved, 20, 17, nil}, {"CONTENT_PROT_APP", 16, 16, possible}}
	end := []span{{"ECC", 9, 8, eccCode}}
	return slices.Concat(start, accessSpans(emmcTenths, blockLength(0, 11)), smallSizeSpans(capacityBytes), erase,
		writeSpans(slowdown(7), blockLength(0, 11)), rights, protectSpans(), end)
}

var (
	possible = codes("not possible", "possible")
	eccCode  = codes("none", "BCH (542,512)")
)

// accessSpans are bits 119 to 76, how the card is read.
func accessSpans(rateTenths [16]int, length func(uint64) string) []span {
	return []span{
		{"TAAC", 119, 112, accessTime},
		{"NSAC", 111, 104, func(value uint64) string { return fmt.Sprintf("%d clock cycles", 100*value) }},
		{"TRAN_SPEED", 103, 96, func(code uint64) string { return transferRate(rateTenths, code) }},
		{"CCC", 95, 84, commandClasses},
		{"READ_BL_LEN", 83, 80, length},
		{"READ_BL_PARTIAL", 79, 79, possible},
		{"WRITE_BLK_MISALIGN", 78, 78, possible},
		{"READ_BLK_MISALIGN", 77, 77, possible},
		{"DSR_IMP", 76, 76, codes("no driver stage register", "a driver stage register")},
	}
}

// writeSpans are bits 28 to 21, how the card is written.
func writeSpans(slowdown, length func(uint64) string) []span {
	return []span{
		{"R2W_FACTOR", 28, 26, slowdown},
		{"WRITE_BL_LEN", 25, 22, length},
		{"WRITE_BL_PARTIAL", 21, 21, possible},
	}
}

// protectSpans are bits 15 to 10.
func protectSpans() []span {
	protected := codes("not write-protected", "write-protected")
	return []span{
		{"FILE_FORMAT_GRP", 15, 15, codes("file formats as listed", "reserved file formats")},
		{"COPY", 14, 14, codes("original content", "copied content")},
		{"PERM_WRITE_PROTECT", 13, 13, protected},
		{"TMP_WRITE_PROTECT", 12, 12, protected},
		{"FILE_FORMAT", 11, 10, codes("with a partition table", "FAT without a partition table", "universal", "another or none")},
	}
}

// The values that TRAN_SPEED multiplies a unit with, in tenths, where 0 is a reserved code (eMMC's from memory).
var (
	sdTenths   = [16]int{0, 10, 12, 13, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 70, 80}
	emmcTenths = [16]int{0, 10, 12, 13, 15, 20, 26, 30, 35, 40, 45, 52, 55, 60, 70, 80}
)

// transferRate tells TRAN_SPEED, which belongs to the bus mode in force and is no limit of the card.
func transferRate(tenths [16]int, code uint64) string {
	kilobitsPerTenth := []int{10, 100, 1000, 10000}
	unit, value := code&7, tenths[code>>3&15]
	if code > 0x7f || unit >= uint64(len(kilobitsPerTenth)) || value == 0 {
		return reservedCode(code)
	}
	kilobits := value * kilobitsPerTenth[unit]
	if kilobits < 1000 {
		return fmt.Sprintf("%d kbit/s per line in this bus mode", kilobits)
	}
	return fmt.Sprintf("%g Mbit/s per line in this bus mode", float64(kilobits)/1000)
}

// accessTime tells TAAC, whose values are those of SD's TRAN_SPEED (from memory).
func accessTime(code uint64) string {
	units := []string{"ns", "µs", "ms"}
	power, value := code&7, sdTenths[code>>3&15]
	if code > 0x7f || value == 0 {
		return reservedCode(code)
	}
	scale := []float64{1, 10, 100}[power%3]
	return fmt.Sprintf("%g %s", scale*float64(value)/10, units[power/3])
}

// blockLength tells a power of two, of which the codes outside least to most are reserved.
func blockLength(least, most uint64) func(uint64) string {
	return func(code uint64) string {
		if code < least || code > most {
			return reservedCode(code)
		}
		return fmt.Sprintf("blocks of %d bytes", 1<<code)
	}
}

// slowdown tells how much longer a write takes than a read; the codes over most are reserved.
func slowdown(most uint64) func(uint64) string {
	return func(code uint64) string {
		if code > most {
			return reservedCode(code)
		}
		return fmt.Sprintf("a write takes %d times as long as a read", 1<<code)
	}
}
