package identity

import (
	"encoding/hex"
	"fmt"
)

// decodeSSR reads an SD status of 64 bytes (Physical Layer Specification 4.10, 4.10.2; the fields below bit 392 came later).
func decodeSSR(register []byte) *SSR {
	return &SSR{
		Raw:        hex.EncodeToString(register),
		SpeedClass: speedClasses[number(register, 447, 440)],
		UHSGrade:   uhsGrades[number(register, 399, 396)],
		VideoClass: videoClasses[number(register, 391, 384)],
		AppClass:   appClasses[number(register, 339, 336)],
		AUBytes:    auBytes[number(register, 431, 428)],
		Discard:    number(register, 313, 313) == 1,
		Fields:     fieldsOf(register, ssrLayout),
	}
}

var ssrLayout = []span{
	{"DAT_BUS_WIDTH", 511, 510, codes("1 bit", "", "4 bits")},
	{"SECURED_MODE", 509, 509, codes("not in the secured mode", "in the secured mode")},
	{"reserved for security", 508, 502, nil},
	{reserved, 501, 496, nil},
	{"SD_CARD_TYPE", 495, 480, codes("can be written", "is read-only (ROM)", "can be written once (OTP)")},
	{"SIZE_OF_PROTECTED_AREA", 479, 448, protectedArea},
	{"SPEED_CLASS", 447, 440, classMeaning("Class %d", speedClasses)},
	{"PERFORMANCE_MOVE", 439, 432, performanceMove},
	{"AU_SIZE", 431, 428, auMeaning(1)},
	{reserved, 427, 424, nil},
	{"ERASE_SIZE", 423, 408, eraseSize},
	{"ERASE_TIMEOUT", 407, 402, counted(0, "s for ERASE_SIZE units")},
	{"ERASE_OFFSET", 401, 400, counted(0, "s more for any erase")},
	{"UHS_SPEED_GRADE", 399, 396, classMeaning("U%d", uhsGrades)},
	{"UHS_AU_SIZE", 395, 392, auMeaning(leastUHSAU)},
	{"VIDEO_SPEED_CLASS", 391, 384, classMeaning("V%d", videoClasses)},
	{reserved, 383, 378, nil},
	{"VSC_AU_SIZE", 377, 368, counted(0, "MB")},
	{"SUS_ADDR", 367, 346, says("where a suspended recording goes on")},
	{reserved, 345, 340, nil},
	{"APP_PERF_CLASS", 339, 336, classMeaning("A%d", appClasses)},
	{"PERFORMANCE_ENHANCE", 335, 328, enhancement},
	{reserved, 327, 314, nil},
	{"DISCARD_SUPPORT", 313, 313, codes("not supported", "supported")},
	{"FULE_SUPPORT", 312, 312, codes("not supported", "supported")},
	{"reserved for the manufacturer", 311, 0, says("the maker's own")},
}

// The classes by their codes; a code that is not there is reserved.
var (
	speedClasses = map[uint64]int{0: 0, 1: 2, 2: 4, 3: 6, 4: 10}
	uhsGrades    = map[uint64]int{0: 0, 1: 1, 3: 3}
	videoClasses = map[uint64]int{0: 0, 6: 6, 10: 10, 30: 30, 60: 60, 90: 90}
	appClasses   = map[uint64]int{0: 0, 1: 1, 2: 2}
)

// auBytes are the sizes of an allocation unit by the codes of AU_SIZE.
var auBytes = [16]int64{
	0, 16 << 10, 32 << 10, 64 << 10, 128 << 10, 256 << 10, 512 << 10, 1 << 20, 2 << 20, 4 << 20, 8 << 20, 12 << 20, 16 << 20,
	24 << 20, 32 << 20, 64 << 20,
}

// leastUHSAU is the code of the smallest allocation unit, 1 MiB, that a UHS card may have.
const leastUHSAU = 7

func classMeaning(format string, classes map[uint64]int) func(uint64) string {
	return func(code uint64) string {
		class, known := classes[code]
		switch {
		case !known:
			return reservedCode(code)
		case class == 0:
			return "none"
		}
		return fmt.Sprintf(format, class)
	}
}

// auMeaning tells the size of an allocation unit, of which the codes below the least are reserved.
func auMeaning(least uint64) func(uint64) string {
	return func(code uint64) string {
		switch {
		case code == 0:
			return "not defined"
		case code < least:
			return reservedCode(code)
		}
		if auBytes[code] < 1<<20 {
			return fmt.Sprintf("%d KiB", auBytes[code]>>10)
		}
		return fmt.Sprintf("%d MiB", auBytes[code]>>20)
	}
}

// protectedArea is of a unit that the CSD decides on.
func protectedArea(value uint64) string {
	return fmt.Sprintf("%d bytes; on an SDSC card that many times its block length and C_SIZE_MULT's factor", value)
}

func performanceMove(value uint64) string {
	switch value {
	case 0:
		return "data is moved as fast as it is written in sequence"
	case 0xff:
		return "infinite"
	}
	return fmt.Sprintf("%d MB/s", value)
}

func eraseSize(value uint64) string {
	if value == 0 {
		return "no time is promised for an erase"
	}
	return fmt.Sprintf("%d allocation units", value)
}

// enhancement tells what a card can do to be faster (bits from memory).
func enhancement(value uint64) string {
	means := setBits(value&7, "maintains itself", "maintained by the host", "cache")
	if depth := value >> 3; depth > 0 {
		return fmt.Sprintf("%s, command queue of code %d", means, depth)
	}
	return means
}
