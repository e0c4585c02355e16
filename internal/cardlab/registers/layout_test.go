package registers_test

import (
	"math/rand/v2"
	"testing"

	"cardwright/internal/cardlab/registers"
)

// A lying is where a value lies, as the specifications number the bits.
type lying struct {
	high, low int
	value     uint64
}

// TestFieldsLieWhereTheTablesSay encodes random values and looks at the bits of Table 5-2 (CID), 5.3.2 and 5.3.3 (CSD), 5.6
// (SCR) and 4.10.2 (SD Status) of the SD Physical Layer Simplified Specification 4.10; C_SIZE of structure 3.0 as in Linux; the
// fields after bit 345 of SD Status as two open drivers read them. Of JESD84-B51, CBX and OID of the CID and the CSD are from
// memory.
func TestFieldsLieWhereTheTablesSay(t *testing.T) {
	const seed = 1
	r := rand.New(rand.NewPCG(seed, seed))
	for range 200 {
		for _, kind := range registers.Kinds() {
			set, p := registers.Random(r, kind)
			if kind == registers.EMMC {
				look(t, "eMMC CID", set.CID, emmcCIDLayout(p.EMMCCID))
				look(t, "eMMC CSD", set.CSD, emmcCSDLayout(p.EMMCCSD))
				if set.ExtCSD != p.ExtCSD {
					t.Errorf("%+v of %+v", set.ExtCSD, p.ExtCSD)
				}
				continue
			}
			look(t, "CID", set.CID, cidLayout(p.CID))
			look(t, "CSD", set.CSD, csdLayout(p.CSD))
			look(t, "SCR", set.SCR, scrLayout(p.SCR))
			look(t, "SSR", set.SSR, ssrLayout(p.SSR))
		}
	}
}

// look also finds bits that are set where no field lies.
func look(t *testing.T, name string, register []byte, layout []lying) {
	t.Helper()
	inFields := make(map[int]bool)
	if len(register) == 16 { // CID and CSD end with CRC7, over all before it, and 1
		layout = append(layout, lying{7, 0, uint64(registers.CRC7(register[:15])<<1 | 1)})
	}
	for _, l := range layout {
		if got := bits(register, l.high, l.low); got != l.value {
			t.Errorf("%s %x: bits %d:%d are %#x, want %#x", name, register, l.high, l.low, got, l.value)
		}
		for bit := l.low; bit <= l.high; bit++ {
			inFields[bit] = true
		}
	}
	for bit := range len(register) * 8 {
		if !inFields[bit] && bits(register, bit, bit) != 0 {
			t.Errorf("%s %x: bit %d is set", name, register, bit)
		}
	}
}

// bits reads bits high to low, one by one from the left.
func bits(register []byte, high, low int) (value uint64) {
	for bit := high; bit >= low; bit-- {
		fromLeft := len(register)*8 - 1 - bit
		value = value*2 + uint64(register[fromLeft/8]>>(7-fromLeft%8))%2
	}
	return value
}

// number is a text as big-endian number, as it lies in a register.
func number(text string) (value uint64) {
	for _, b := range []byte(text) {
		value = value*256 + uint64(b)
	}
	return value
}

func one(set bool) uint64 {
	if set {
		return 1
	}
	return 0
}

func cidLayout(c registers.CID) []lying {
	return []lying{
		{127, 120, uint64(c.ManufacturerID)},
		{119, 104, number(c.OEM)},
		{103, 64, number(c.Name)},
		{63, 56, uint64(c.RevisionMajor)*16 + uint64(c.RevisionMinor)},
		{55, 24, uint64(c.Serial)},
		{23, 20, uint64(c.Reserved)},
		{19, 12, uint64(c.Year - 2000)},
		{11, 8, uint64(c.Month)},
	}
}

func csdLayout(csd registers.CSD) []lying {
	switch c := csd.(type) {
	case registers.CSD1:
		return append(append(commonLayout(c.CSDCommon, c.CSDErase), blocksLayout(c.CSDBlocks)...), lying{127, 126, 0})
	case registers.CSD2:
		return append(commonLayout(c.CSDCommon, c.CSDErase), lying{127, 126, 1}, lying{69, 48, uint64(c.Size)})
	case registers.CSD3:
		return append(commonLayout(c.CSDCommon, c.CSDErase), lying{127, 126, 2}, lying{75, 48, uint64(c.Size)})
	}
	return nil
}

func commonLayout(c registers.CSDCommon, e registers.CSDErase) []lying {
	return append(sharedLayout(c),
		lying{46, 46, one(e.EraseBlockEnabled)},
		lying{45, 39, uint64(e.EraseSectorBlocksLessOne)},
		lying{38, 32, uint64(e.WriteProtectGroupSectorsLessOne)},
	)
}

func sharedLayout(c registers.CSDCommon) []lying {
	return []lying{
		{119, 112, uint64(c.AccessTimeCode)},
		{111, 104, uint64(c.AccessHundredClocks)},
		{103, 96, uint64(c.TransferRateCode)},
		{95, 84, uint64(c.CommandClasses)},
		{83, 80, uint64(c.ReadBlockLog2Bytes)},
		{79, 79, one(c.ReadBlockPartial)},
		{78, 78, one(c.WriteBlockMisalign)},
		{77, 77, one(c.ReadBlockMisalign)},
		{76, 76, one(c.DriverStageRegister)},
		{31, 31, one(c.WriteProtectGroupEnabled)},
		{28, 26, uint64(c.WriteFactorLog2)},
		{25, 22, uint64(c.WriteBlockLog2Bytes)},
		{21, 21, one(c.WriteBlockPartial)},
		{15, 15, one(c.FileFormatGroup)},
		{14, 14, one(c.Copy)},
		{13, 13, one(c.PermanentWriteProtect)},
		{12, 12, one(c.TemporaryWriteProtect)},
		{11, 10, uint64(c.FileFormat)},
	}
}

func blocksLayout(c registers.CSDBlocks) []lying {
	return []lying{
		{73, 62, uint64(c.Size)},
		{61, 59, uint64(c.ReadMinCurrent)},
		{58, 56, uint64(c.ReadMaxCurrent)},
		{55, 53, uint64(c.WriteMinCurrent)},
		{52, 50, uint64(c.WriteMaxCurrent)},
		{49, 47, uint64(c.SizeMultLog2)},
	}
}

func scrLayout(s registers.SCR) []lying {
	return []lying{
		{63, 60, uint64(s.Structure)},
		{59, 56, uint64(s.Spec)},
		{55, 55, one(s.ErasedIsOnes)},
		{54, 52, uint64(s.Security)},
		{51, 48, uint64(s.BusWidths)},
		{47, 47, one(s.Spec3)},
		{46, 43, uint64(s.ExtendedSecurity)},
		{42, 42, one(s.Spec4)},
		{41, 38, uint64(s.SpecX)},
		{35, 32, uint64(s.CommandSupport)},
		{31, 0, uint64(s.Manufacturer)},
	}
}

func ssrLayout(s registers.SSR) []lying {
	return []lying{
		{511, 510, uint64(s.BusWidth)},
		{509, 509, one(s.Secured)},
		{495, 480, uint64(s.CardType)},
		{479, 448, uint64(s.ProtectedArea)},
		{447, 440, uint64(s.SpeedClassCode)},
		{439, 432, uint64(s.MoveMBPerSecond)},
		{431, 428, uint64(s.AUCode)},
		{423, 408, uint64(s.EraseAUs)},
		{407, 402, uint64(s.EraseTimeoutSeconds)},
		{401, 400, uint64(s.EraseOffsetSeconds)},
		{399, 396, uint64(s.UHSGrade)},
		{395, 392, uint64(s.UHSAUCode)},
		{391, 384, uint64(s.VideoClass)},
		{377, 368, uint64(s.VideoAUMB)},
		{367, 346, uint64(s.SuspendAddress)},
		{339, 336, uint64(s.AppClass)},
		{335, 328, uint64(s.PerformanceEnhance)},
		{313, 313, one(s.Discard)},
		{312, 312, one(s.FULE)},
	}
}

func emmcCIDLayout(c registers.EMMCCID) []lying {
	return []lying{
		{127, 120, uint64(c.ManufacturerID)},
		{119, 114, uint64(c.Reserved)},
		{113, 112, uint64(c.Form)},
		{111, 104, uint64(c.OEM)},
		{103, 56, number(c.Name)},
		{55, 48, uint64(c.Revision)},
		{47, 16, uint64(c.Serial)},
		{15, 12, uint64(c.Month)},
		{11, 8, uint64(c.Year-1997) % 16},
	}
}

func emmcCSDLayout(c registers.EMMCCSD) []lying {
	return append(append(sharedLayout(c.CSDCommon), blocksLayout(c.CSDBlocks)...),
		lying{127, 126, uint64(c.Structure)},
		lying{125, 122, uint64(c.SpecVersion)},
		lying{46, 42, uint64(c.EraseGroupUnitsLessOne)},
		lying{41, 37, uint64(c.EraseGroupMultLessOne)},
		lying{36, 32, uint64(c.WriteProtectGroupSectorsLessOne)},
	)
}
