package identity

import (
	"encoding/hex"
	"fmt"
)

// decodeSCR reads an SCR of 8 bytes (Physical Layer Specification 4.10, 5.6).
func decodeSCR(register []byte) *SCR {
	spec, spec3 := number(register, 59, 56), number(register, 47, 47)
	spec4, specX := number(register, 42, 42), number(register, 41, 38)
	scr := &SCR{
		Raw:         hex.EncodeToString(register),
		SpecVersion: specVersion(spec, spec3, spec4, specX),
		Security:    int(number(register, 54, 52)),
		Spec3:       spec3 == 1,
	}
	version := func(mostCode uint64) func(uint64) string {
		return func(code uint64) string {
			switch {
			case code > mostCode:
				return reservedCode(code)
			case scr.SpecVersion == unknown:
				return "part of a combination that is no known version"
			}
			return "part of version " + scr.SpecVersion
		}
	}
	scr.Fields = fieldsOf(register, []span{
		{"SCR_STRUCTURE", 63, 60, codes("version 1.0")},
		{"SD_SPEC", 59, 56, version(2)},
		{"DATA_STAT_AFTER_ERASE", 55, 55, codes("erased bits read as 0", "erased bits read as 1")},
		{"SD_SECURITY", 54, 52, codes("none", "not used", "SDSC", "SDHC", "SDXC")},
		{"SD_BUS_WIDTHS", 51, 48, func(value uint64) string { return "widths: " + setBits(value, "1 bit", "", "4 bits") }},
		{"SD_SPEC3", 47, 47, version(1)},
		{"EX_SECURITY", 46, 43, extendedSecurity},
		{"SD_SPEC4", 42, 42, version(1)},
		{"SD_SPECX", 41, 38, version(4)},
		{reserved, 37, 36, nil},
		{"CMD_SUPPORT", 35, 32, func(value uint64) string {
			return "optional commands: " + setBits(value, "CMD20", "CMD23", "CMD48/49", "CMD58/59")
		}},
		{"reserved for the manufacturer", 31, 0, says("the maker's own")},
	})
	return scr
}

// unknown stands for a version or structure whose code is none.
const unknown = "unknown"

// specVersion names the version of the specification that a card follows. From 5 on, SD_SPECX tells it, and SD_SPEC4 may be
// either.
func specVersion(spec, spec3, spec4, specX uint64) string {
	if spec == 2 && spec3 == 1 {
		later := []string{"5.x", "6.x", "7.x", "8.x"}
		switch {
		case specX >= 1 && specX <= uint64(len(later)):
			return later[specX-1]
		case specX != 0:
			return unknown
		case spec4 == 1:
			return "4.xx"
		}
		return "3.0x"
	}
	early := []string{"1.0/1.01", "1.10", "2.00"}
	if spec3 == 0 && spec4 == 0 && specX == 0 && spec < uint64(len(early)) {
		return early[spec]
	}
	return unknown
}

func extendedSecurity(value uint64) string {
	if value == 0 {
		return "not supported"
	}
	return fmt.Sprintf("supported, code 0x%02x", value)
}
