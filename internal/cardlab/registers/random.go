package registers

import (
	"fmt"
	"math/rand/v2"
)

// Random gives a card of a kind with any value in every field, and the structs that it was made of. Nothing about it need be
// sound but that it can be encoded; its device is as large as its CSD tells.
func Random(r *rand.Rand, kind Kind) (Set, Parts) {
	d := dice{r}
	p := Parts{Kind: kind}
	switch kind {
	case SDSC:
		p.CSD = CSD1{d.common(), d.erase(), d.blocks()}
	case SDHC, SDXC:
		p.CSD = CSD2{d.common(), d.erase(), d.upTo32(22)}
	case SDUC:
		p.CSD = CSD3{d.common(), d.erase(), d.upTo32(28)}
	case EMMC:
		p.ExtCSD, p.EMMCCSD = d.extCSD(), d.emmcCSD()
		p.EMMCCID = d.emmcCID(p.ExtCSD.Revision)
		p.SizeBytes = int64(d.upTo32(32)) * 512
	}
	if kind != EMMC {
		p.CID, p.SCR, p.SSR = d.cid(), d.scr(), d.ssr()
		p.SizeBytes = p.CSD.CapacityBytes()
	}
	set, err := p.Encode()
	if err != nil {
		panic(fmt.Sprintf("registers: a random card does not fit: %v", err)) // a field below is too wide
	}
	return set, p
}

// dice throws values of so many bits.
type dice struct{ *rand.Rand }

func (d dice) upTo8(bits int) uint8   { return uint8(d.Uint64N(1 << bits)) }
func (d dice) upTo16(bits int) uint16 { return uint16(d.Uint64N(1 << bits)) }
func (d dice) upTo32(bits int) uint32 { return uint32(d.Uint64N(1 << bits)) }
func (d dice) coin() bool             { return d.Uint64N(2) == 1 }

func (d dice) text(count int) string {
	text := make([]byte, count)
	for i := range text {
		text[i] = d.upTo8(8)
	}
	return string(text)
}

func (d dice) cid() CID {
	return CID{
		ManufacturerID: d.upTo8(8), OEM: d.text(2), Name: d.text(5), RevisionMajor: d.upTo8(4), RevisionMinor: d.upTo8(4),
		Serial: d.upTo32(32), Reserved: d.upTo8(4), Year: 2000 + d.IntN(256), Month: d.IntN(16),
	}
}

func (d dice) common() CSDCommon {
	return CSDCommon{
		AccessTimeCode: d.upTo8(8), AccessHundredClocks: d.upTo8(8), TransferRateCode: d.upTo8(8), CommandClasses: d.upTo16(12),
		ReadBlockLog2Bytes: d.upTo8(4), ReadBlockPartial: d.coin(), WriteBlockMisalign: d.coin(), ReadBlockMisalign: d.coin(),
		DriverStageRegister: d.coin(), WriteProtectGroupEnabled: d.coin(), WriteFactorLog2: d.upTo8(3),
		WriteBlockLog2Bytes: d.upTo8(4), WriteBlockPartial: d.coin(), FileFormatGroup: d.coin(), Copy: d.coin(),
		PermanentWriteProtect: d.coin(), TemporaryWriteProtect: d.coin(), FileFormat: d.upTo8(2),
	}
}

func (d dice) erase() CSDErase { return CSDErase{d.coin(), d.upTo8(7), d.upTo8(7)} }

func (d dice) blocks() CSDBlocks {
	return CSDBlocks{d.upTo16(12), d.upTo8(3), d.upTo8(3), d.upTo8(3), d.upTo8(3), d.upTo8(3)}
}

func (d dice) scr() SCR {
	return SCR{
		Structure: d.upTo8(4), Spec: d.upTo8(4), ErasedIsOnes: d.coin(), Security: d.upTo8(3), BusWidths: d.upTo8(4),
		Spec3: d.coin(), ExtendedSecurity: d.upTo8(4), Spec4: d.coin(), SpecX: d.upTo8(4), CommandSupport: d.upTo8(4),
		Manufacturer: d.upTo32(32),
	}
}

func (d dice) ssr() SSR {
	return SSR{
		BusWidth: d.upTo8(2), Secured: d.coin(), CardType: d.upTo16(16), ProtectedArea: d.upTo32(32), SpeedClassCode: d.upTo8(8),
		MoveMBPerSecond: d.upTo8(8), AUCode: d.upTo8(4), EraseAUs: d.upTo16(16), EraseTimeoutSeconds: d.upTo8(6),
		EraseOffsetSeconds: d.upTo8(2), UHSGrade: d.upTo8(4), UHSAUCode: d.upTo8(4), VideoClass: d.upTo8(8),
		VideoAUMB: d.upTo16(10), SuspendAddress: d.upTo32(22), AppClass: d.upTo8(4), PerformanceEnhance: d.upTo8(8),
		Discard: d.coin(), FULE: d.coin(),
	}
}

// emmcCID is of a year that the revision leaves no doubt about.
func (d dice) emmcCID(revision uint8) EMMCCID {
	firstYear := 1997
	if revision >= 5 {
		firstYear = 2010
	}
	return EMMCCID{
		ManufacturerID: d.upTo8(8), Reserved: d.upTo8(6), Form: d.upTo8(2), OEM: d.upTo8(8), Name: d.text(6),
		Revision: d.upTo8(8), Serial: d.upTo32(32), Month: d.IntN(16), Year: firstYear + d.IntN(16),
	}
}

func (d dice) emmcCSD() EMMCCSD {
	return EMMCCSD{d.common(), d.blocks(), d.upTo8(2), d.upTo8(4), d.upTo8(5), d.upTo8(5), d.upTo8(5)}
}

func (d dice) extCSD() ExtCSD {
	return ExtCSD{d.upTo8(8), d.Uint64(), d.upTo8(8), d.upTo8(8), d.upTo8(8)}
}
