package identity

import (
	"encoding/hex"
	"fmt"
)

// decodeCSD reads a CSD of 16 bytes: structures 1.0 and 2.0 of SD (Physical Layer Specification 4.10, 5.3), 3.0 of SDUC cards,
// which only widens C_SIZE, and that of eMMC (JESD84-B51, 7.3, from memory).
func decodeCSD(kind Kind, register []byte) *CSD {
	csd := &CSD{
		Raw:       hex.EncodeToString(register),
		Structure: csdStructure(kind, register),
		CRCOK:     sumIsRight(register),
	}
	var layout []span
	switch {
	case kind == KindEMMC:
		csd.CapacityBytes = smallCapacityBytes(register, 0, 11)
		if number(register, 73, 62) == sectorAddressed {
			csd.CapacityBytes = 0
		}
		layout = emmcLayout(csd.CapacityBytes)
	case csd.Structure == "1.0":
		csd.CapacityBytes = smallCapacityBytes(register, 9, 11)
		layout = sdLayout(smallSizeSpans(csd.CapacityBytes))
	case csd.Structure == "2.0":
		csd.CapacityBytes = largeCapacityBytes(number(register, 69, 48))
		layout = fixed(sdLayout(largeSizeSpans(69, csd.CapacityBytes)))
	case csd.Structure == "3.0":
		csd.CapacityBytes = largeCapacityBytes(number(register, 75, 48))
		layout = fixed(sdLayout(largeSizeSpans(75, csd.CapacityBytes)))
	default:
		layout = []span{
			{"CSD_STRUCTURE", 127, 126, reservedCode},
			{"undecoded", 125, 8, says("not known in this structure")},
		}
	}
	csd.Fields = fieldsOf(register, append(layout, endSpans(register)...))
	return csd
}

var (
	sdStructures   = codes("1.0", "2.0", "3.0")
	emmcStructures = codes("1.0", "1.1", "1.2", "ext")
)

func csdStructure(kind Kind, register []byte) string {
	code := number(register, 127, 126)
	switch {
	case kind == KindEMMC:
		return emmcStructures(code)
	case code < 3:
		return sdStructures(code)
	}
	return unknown
}

// sectorAddressed is the C_SIZE of an eMMC over 2 GiB, whose size stands in EXT_CSD's SEC_COUNT.
const sectorAddressed = 0xfff

// smallCapacityBytes gives the size that a CSD of up to 4 GiB tells, 0 where the code of its block length is none.
func smallCapacityBytes(register []byte, leastLength, mostLength uint64) int64 {
	length := number(register, 83, 80)
	if length < leastLength || length > mostLength {
		return 0
	}
	return (int64(number(register, 73, 62)) + 1) << (number(register, 49, 47) + 2 + length)
}

// largeCapacityBytes gives the size of SDHC and larger cards, at most 128 TiB.
func largeCapacityBytes(size uint64) int64 { return (int64(size) + 1) << 19 }

// smallSizeSpans are bits 75 to 47 where the size stands in 12 bits and a factor.
func smallSizeSpans(capacityBytes int64) []span {
	least := codes("0.5 mA", "1 mA", "5 mA", "10 mA", "25 mA", "35 mA", "60 mA", "100 mA")
	most := codes("1 mA", "5 mA", "10 mA", "25 mA", "35 mA", "45 mA", "80 mA", "200 mA")
	return []span{
		{reserved, 75, 74, nil},
		{"C_SIZE", 73, 62, capacityMeaning(capacityBytes)},
		{"VDD_R_CURR_MIN", 61, 59, least},
		{"VDD_R_CURR_MAX", 58, 56, most},
		{"VDD_W_CURR_MIN", 55, 53, least},
		{"VDD_W_CURR_MAX", 52, 50, most},
		{"C_SIZE_MULT", 49, 47, func(value uint64) string { return fmt.Sprintf("factor %d", 4<<value) }},
	}
}

// largeSizeSpans are bits 75 to 47 where the size stands in one field, from a high bit down.
func largeSizeSpans(high int, capacityBytes int64) []span {
	size := []span{{"C_SIZE", high, 48, capacityMeaning(capacityBytes)}, {reserved, 47, 47, nil}}
	if high == 75 {
		return size
	}
	return append([]span{{reserved, 75, high + 1, nil}}, size...)
}

func capacityMeaning(capacityBytes int64) func(uint64) string {
	if capacityBytes == 0 {
		return says("tells no size here")
	}
	return says(fmt.Sprintf("a user area of %d bytes", capacityBytes))
}
