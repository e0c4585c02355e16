package registers_test

import (
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"cardwright/internal/cardlab/registers"
)

// TestCRC7MatchesPublishedSums: CMD0, CMD17, its response and the CID contents stand in the SD Physical Layer Simplified
// Specification, 4.5, or in a machine emulator's test that cites it; the others in that test alone; CMD8 in a driver's header.
func TestCRC7MatchesPublishedSums(t *testing.T) {
	for message, lastByte := range map[string]byte{
		"4000000000":                     0x95,
		"5100000000":                     0x55,
		"1100000900":                     0x67,
		"7700000000":                     0x65,
		"6900100000":                     0x5F,
		"4200000000":                     0x4D,
		"3700000120":                     0x83,
		"03b3680500":                     0x19,
		"48000001aa":                     0x87,
		"1d4144534420202010a0400bc10088": 0xAD,
	} {
		if got := registers.CRC7(unhex(t, message))<<1 | 1; got != lastByte {
			t.Errorf("%s: %#02x, want %#02x", message, got, lastByte)
		}
	}
}

// TestCIDsAreEncodedAsPublished: the first is the emulator's, which cites the specification's chapter 4.5; "April 2001" and
// revision 6.2 are the examples of chapter 5.2, in a CID computed from its Table 5-2, like the other two; the last is of a real
// card, from the tests of an open library, whose host had cleared the end bit that is set here.
func TestCIDsAreEncodedAsPublished(t *testing.T) {
	for want, cid := range map[string]registers.CID{
		"1d4144534420202010a0400bc10088ad": {
			ManufacturerID: 0x1D, OEM: "AD", Name: "SD   ", RevisionMajor: 1, Serial: 0xA0400BC1, Year: 2008, Month: 8,
		},
		"7f5a5a54455354316212345678001491": {
			ManufacturerID: 0x7F, OEM: "ZZ", Name: "TEST1", RevisionMajor: 6, RevisionMinor: 2, Serial: 0x12345678, Year: 2001, Month: 4,
		},
		"00000020202020200000000000000079": {OEM: "\x00\x00", Name: "     ", Year: 2000},
		"fe343201ff024142100000000101ede7": {
			ManufacturerID: 0xFE, OEM: "42", Name: "\x01\xff\x02AB", RevisionMajor: 1, Serial: 1, Year: 2030, Month: 13,
		},
		"015041593038414713daa1bff401252f": {
			ManufacturerID: 1, OEM: "PA", Name: "Y08AG", RevisionMajor: 1, RevisionMinor: 3, Serial: 0xDAA1BFF4, Year: 2018, Month: 5,
		},
	} {
		expect(t, want, cid)
	}
}

// TestCSDsAreEncodedAsComputed: registers computed from Table 5-4 of the specification, 5.3, with the capacities that 5.3.2
// gives for their C_SIZE; 59,375,616 bytes are a textbook's example, 4,194,304 that of a card's manual. The last is of the real
// card, with the end bit.
func TestCSDsAreEncodedAsComputed(t *testing.T) {
	standard := func(size uint16, mult, blockLog2 uint8) registers.CSD1 {
		return registers.CSD1{
			CSDCommon: registers.CSDCommon{
				AccessTimeCode: 0x26, TransferRateCode: 0x32, CommandClasses: 0x5B5, ReadBlockLog2Bytes: blockLog2,
				ReadBlockPartial: true, WriteProtectGroupEnabled: true, WriteFactorLog2: 4, WriteBlockLog2Bytes: blockLog2,
			},
			CSDErase:  registers.CSDErase{EraseBlockEnabled: true, EraseSectorBlocksLessOne: 0x1F, WriteProtectGroupSectorsLessOne: 0x7F},
			CSDBlocks: registers.CSDBlocks{Size: size, SizeMultLog2: mult},
		}
	}
	high := func(size uint32) registers.CSD2 {
		common, erase := registers.FixedCSD()
		return registers.CSD2{CSDCommon: common, CSDErase: erase, Size: size}
	}
	for _, c := range []struct {
		csd           registers.CSD
		want          string
		capacityBytes int64
	}{
		{standard(3623, 3, 9), "002600325b598389c001cfff9240006d", 59_375_616},
		{standard(2047, 0, 9), "002600325b5981ffc0004fff92400003", 4_194_304},
		{standard(4095, 7, 10), "002600325b5a83ffc003cfff92800053", 2_147_483_648},
		{standard(4095, 7, 9), "002600325b5983ffc003cfff92400051", 1_073_741_824},
		{high(0x1010), "400e00325b59000010107f800a4000b7", 2_156_396_544},
		{high(0xFF5F), "400e00325b590000ff5f7f800a40009d", 34_275_852_288},
		{high(0xFFFF), "400e00325b590000ffff7f800a400003", 34_359_738_368},
		{high(0x3FFEFF), "400e00325b59003ffeff7f800a4000ef", 2_198_889_037_824},
		{registers.CSD3(high(0x400000)), "800e00325b59004000007f800a4000b5", 2_199_023_779_840},
		{high(14771), "400e00325b59000039b37f800a4000f9", 7_744_782_336},
	} {
		expect(t, c.want, c.csd)
		if got := c.csd.CapacityBytes(); got != c.capacityBytes {
			t.Errorf("%s: capacity %d, want %d", c.want, got, c.capacityBytes)
		}
	}
}

// TestARealCardsRegistersAreEncoded: SCR and SSR of the same real card, and what the library's tests read from them.
func TestARealCardsRegistersAreEncoded(t *testing.T) {
	expect(t, "0235800001000000", registers.SCR{Spec: 2, Security: 3, BusWidths: 5, Spec3: true, Manufacturer: 0x01000000})
	expect(t, "80000000030000000202900008070000"+strings.Repeat("0", 96), realSSR())
}

func realSSR() registers.SSR {
	return registers.SSR{
		BusWidth: 2, ProtectedArea: 50_331_648, SpeedClassCode: 2, MoveMBPerSecond: 2, AUCode: 9,
		EraseAUs: 8, EraseTimeoutSeconds: 1, EraseOffsetSeconds: 3,
	}
}

// TestWhatDoesNotFitIsRefused: the widths are those of the specifications' tables.
func TestWhatDoesNotFitIsRefused(t *testing.T) {
	for name, register := range map[string]encoder{
		"OEM":             registers.CID{OEM: "Z", Name: "TESTA", Year: 2000},
		"name":            registers.CID{OEM: "ZZ", Name: "TESTAB", Year: 2000},
		"revision":        registers.CID{OEM: "ZZ", Name: "TESTA", Year: 2000, RevisionMajor: 16},
		"early year":      registers.CID{OEM: "ZZ", Name: "TESTA", Year: 1999},
		"late year":       registers.CID{OEM: "ZZ", Name: "TESTA", Year: 2256},
		"month":           registers.CID{OEM: "ZZ", Name: "TESTA", Year: 2000, Month: 16},
		"C_SIZE 1.0":      registers.CSD1{CSDBlocks: registers.CSDBlocks{Size: 1 << 12}},
		"C_SIZE_MULT":     registers.CSD1{CSDBlocks: registers.CSDBlocks{SizeMultLog2: 8}},
		"C_SIZE 2.0":      registers.CSD2{Size: 1 << 22},
		"C_SIZE 3.0":      registers.CSD3{Size: 1 << 28},
		"command classes": registers.CSD2{CSDCommon: registers.CSDCommon{CommandClasses: 1 << 12}},
		"SD_SECURITY":     registers.SCR{Security: 8},
		"AU_SIZE":         registers.SSR{AUCode: 16},
		"VSC_AU_SIZE":     registers.SSR{VideoAUMB: 1 << 10},
		"eMMC name":       registers.EMMCCID{Name: "TESTA", Year: 2013},
		"eMMC early year": registers.EMMCCID{Name: "TESTMM", Year: 1996},
		"eMMC late year":  registers.EMMCCID{Name: "TESTMM", Year: 2029},
		"eMMC structure":  registers.EMMCCSD{Structure: 4},
	} {
		if got, err := register.Encode(); !errors.Is(err, registers.ErrField) || got != nil {
			t.Errorf("%s: %x, %v", name, got, err)
		}
	}
	if set, err := (registers.Parts{CSD: registers.CSD2{}}).Encode(); !errors.Is(err, registers.ErrField) || set.CSD != nil {
		t.Errorf("parts without a name: %v, %v", set, err)
	}
}

type encoder interface{ Encode() ([]byte, error) }

func expect(t *testing.T, want string, register encoder) {
	t.Helper()
	got, err := register.Encode()
	if err != nil || hex.EncodeToString(got) != want {
		t.Errorf("%+v: %x, %v, want %s", register, got, err, want)
	}
}

func unhex(t *testing.T, text string) []byte {
	t.Helper()
	raw, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}
