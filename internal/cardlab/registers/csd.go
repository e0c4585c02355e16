package registers

// The fields of the CSD. Those of the capacity differ between its structures.
var (
	csdStructure           = field{inCSD, "CSD_STRUCTURE", 127, 126}
	csdAccessTime          = field{inCSD, "TAAC", 119, 112}
	csdAccessClocks        = field{inCSD, "NSAC", 111, 104}
	csdTransferRate        = field{inCSD, "TRAN_SPEED", 103, 96}
	csdCommandClasses      = field{inCSD, "CCC", 95, 84}
	csdReadBlock           = field{inCSD, "READ_BL_LEN", 83, 80}
	csdReadPartial         = field{inCSD, "READ_BL_PARTIAL", 79, 79}
	csdWriteMisalign       = field{inCSD, "WRITE_BLK_MISALIGN", 78, 78}
	csdReadMisalign        = field{inCSD, "READ_BLK_MISALIGN", 77, 77}
	csdDSR                 = field{inCSD, "DSR_IMP", 76, 76}
	csdEraseBlock          = field{inCSD, "ERASE_BLK_EN", 46, 46}
	csdEraseSector         = field{inCSD, "SECTOR_SIZE", 45, 39}
	csdProtectGroup        = field{inCSD, "WP_GRP_SIZE", 38, 32}
	csdProtectGroupEnabled = field{inCSD, "WP_GRP_ENABLE", 31, 31}
	csdWriteFactor         = field{inCSD, "R2W_FACTOR", 28, 26}
	csdWriteBlock          = field{inCSD, "WRITE_BL_LEN", 25, 22}
	csdWritePartial        = field{inCSD, "WRITE_BL_PARTIAL", 21, 21}
	csdFormatGroup         = field{inCSD, "FILE_FORMAT_GRP", 15, 15}
	csdCopy                = field{inCSD, "COPY", 14, 14}
	csdPermanentProtect    = field{inCSD, "PERM_WRITE_PROTECT", 13, 13}
	csdTemporaryProtect    = field{inCSD, "TMP_WRITE_PROTECT", 12, 12}
	csdFileFormat          = field{inCSD, "FILE_FORMAT", 11, 10}
	csdChecksum            = field{inCSD, "CRC", 7, 1}

	csd1Size = field{inCSD, "C_SIZE", 73, 62}
	csd1Mult = field{inCSD, "C_SIZE_MULT", 49, 47}
	csd2Size = field{inCSD, "C_SIZE", 69, 48}
	csd3Size = field{inCSD, "C_SIZE", 75, 48}

	csdReadMin  = field{inCSD, "VDD_R_CURR_MIN", 61, 59}
	csdReadMax  = field{inCSD, "VDD_R_CURR_MAX", 58, 56}
	csdWriteMin = field{inCSD, "VDD_W_CURR_MIN", 55, 53}
	csdWriteMax = field{inCSD, "VDD_W_CURR_MAX", 52, 50}
)

// A CSD describes how an SD card is used, and its capacity: a CSD1, CSD2 or CSD3.
type CSD interface {
	// Encode gives the register. The error is an ErrField.
	Encode() ([]byte, error)
	// CapacityBytes is the user area that the register tells.
	CapacityBytes() int64
}

// CSDCommon holds the fields that all structures of the CSD share, those of eMMC too.
type CSDCommon struct {
	AccessTimeCode           uint8  // TAAC
	AccessHundredClocks      uint8  // NSAC, in 100 clock cycles
	TransferRateCode         uint8  // TRAN_SPEED, of the bus mode in force
	CommandClasses           uint16 // CCC, 12 bits: one per class of commands
	ReadBlockLog2Bytes       uint8  // READ_BL_LEN, 4 bits
	ReadBlockPartial         bool   // READ_BL_PARTIAL
	WriteBlockMisalign       bool   // WRITE_BLK_MISALIGN
	ReadBlockMisalign        bool   // READ_BLK_MISALIGN
	DriverStageRegister      bool   // DSR_IMP
	WriteProtectGroupEnabled bool   // WP_GRP_ENABLE
	WriteFactorLog2          uint8  // R2W_FACTOR, 3 bits: a write takes 2^n times as long as a read
	WriteBlockLog2Bytes      uint8  // WRITE_BL_LEN, 4 bits
	WriteBlockPartial        bool   // WRITE_BL_PARTIAL
	FileFormatGroup          bool   // FILE_FORMAT_GRP
	Copy                     bool   // COPY
	PermanentWriteProtect    bool   // PERM_WRITE_PROTECT
	TemporaryWriteProtect    bool   // TMP_WRITE_PROTECT
	FileFormat               uint8  // FILE_FORMAT, 2 bits
}

func (c CSDCommon) put(e *encoder) {
	e.put(csdAccessTime, uint64(c.AccessTimeCode))
	e.put(csdAccessClocks, uint64(c.AccessHundredClocks))
	e.put(csdTransferRate, uint64(c.TransferRateCode))
	e.put(csdCommandClasses, uint64(c.CommandClasses))
	e.put(csdReadBlock, uint64(c.ReadBlockLog2Bytes))
	e.flag(csdReadPartial, c.ReadBlockPartial)
	e.flag(csdWriteMisalign, c.WriteBlockMisalign)
	e.flag(csdReadMisalign, c.ReadBlockMisalign)
	e.flag(csdDSR, c.DriverStageRegister)
	e.flag(csdProtectGroupEnabled, c.WriteProtectGroupEnabled)
	e.put(csdWriteFactor, uint64(c.WriteFactorLog2))
	e.put(csdWriteBlock, uint64(c.WriteBlockLog2Bytes))
	e.flag(csdWritePartial, c.WriteBlockPartial)
	e.flag(csdFormatGroup, c.FileFormatGroup)
	e.flag(csdCopy, c.Copy)
	e.flag(csdPermanentProtect, c.PermanentWriteProtect)
	e.flag(csdTemporaryProtect, c.TemporaryWriteProtect)
	e.put(csdFileFormat, uint64(c.FileFormat))
}

// CSDErase holds the fields of erasing that the structures of SD cards share.
type CSDErase struct {
	EraseBlockEnabled               bool  // ERASE_BLK_EN
	EraseSectorBlocksLessOne        uint8 // SECTOR_SIZE, 7 bits
	WriteProtectGroupSectorsLessOne uint8 // WP_GRP_SIZE, 7 bits
}

func (c CSDErase) put(e *encoder) {
	e.flag(csdEraseBlock, c.EraseBlockEnabled)
	e.put(csdEraseSector, uint64(c.EraseSectorBlocksLessOne))
	e.put(csdProtectGroup, uint64(c.WriteProtectGroupSectorsLessOne))
}

// CSDBlocks holds the capacity as structure 1.0 and eMMC tell it, and the currents that they tell beside it.
type CSDBlocks struct {
	Size            uint16 // C_SIZE, 12 bits: how many times 2^(SizeMultLog2+2) blocks, less one
	SizeMultLog2    uint8  // C_SIZE_MULT, 3 bits
	ReadMinCurrent  uint8  // VDD_R_CURR_MIN, 3 bits, a code
	ReadMaxCurrent  uint8  // VDD_R_CURR_MAX, likewise
	WriteMinCurrent uint8  // VDD_W_CURR_MIN, likewise
	WriteMaxCurrent uint8  // VDD_W_CURR_MAX, likewise
}

func (c CSDBlocks) put(e *encoder) {
	e.put(csd1Size, uint64(c.Size))
	e.put(csd1Mult, uint64(c.SizeMultLog2))
	e.put(csdReadMin, uint64(c.ReadMinCurrent))
	e.put(csdReadMax, uint64(c.ReadMaxCurrent))
	e.put(csdWriteMin, uint64(c.WriteMinCurrent))
	e.put(csdWriteMax, uint64(c.WriteMaxCurrent))
}

// A CSD1 is of structure 1.0, that of cards of standard capacity.
type CSD1 struct {
	CSDCommon
	CSDErase
	CSDBlocks
}

// Encode gives the register. The error is an ErrField.
func (c CSD1) Encode() ([]byte, error) {
	e := encode(inCSD)
	c.CSDCommon.put(e)
	c.CSDErase.put(e)
	c.CSDBlocks.put(e)
	return e.sealed()
}

// CapacityBytes is the user area that the register tells.
func (c CSD1) CapacityBytes() int64 {
	return (int64(c.Size) + 1) << (c.SizeMultLog2 + 2) << c.ReadBlockLog2Bytes
}

// UnitBytes is the unit of the capacity in structures 2.0 and 3.0: 512 KiB.
const UnitBytes = 512 << 10

// A CSD2 is of structure 2.0, that of SDHC and SDXC cards. Most of its fields have fixed values: FixedCSD.
type CSD2 struct {
	CSDCommon
	CSDErase
	Size uint32 // C_SIZE, 22 bits: units of 512 KiB, less one
}

// Encode gives the register. The error is an ErrField.
func (c CSD2) Encode() ([]byte, error) {
	return encodeUnits(1, c.CSDCommon, c.CSDErase, csd2Size, c.Size)
}

// CapacityBytes is the user area that the register tells.
func (c CSD2) CapacityBytes() int64 { return (int64(c.Size) + 1) * UnitBytes }

// A CSD3 is of structure 3.0, that of SDUC cards.
type CSD3 struct {
	CSDCommon
	CSDErase
	Size uint32 // C_SIZE, 28 bits: units of 512 KiB, less one
}

// Encode gives the register. The error is an ErrField.
func (c CSD3) Encode() ([]byte, error) {
	return encodeUnits(2, c.CSDCommon, c.CSDErase, csd3Size, c.Size)
}

// CapacityBytes is the user area that the register tells.
func (c CSD3) CapacityBytes() int64 { return (int64(c.Size) + 1) * UnitBytes }

func encodeUnits(structure uint64, common CSDCommon, erase CSDErase, size field, units uint32) ([]byte, error) {
	e := encode(inCSD)
	e.put(csdStructure, structure)
	common.put(e)
	erase.put(e)
	e.put(size, uint64(units))
	return e.sealed()
}

// FixedCSD gives what the specification prescribes for structure 2.0, with the fields that it leaves open as a card in its
// slowest bus mode has them.
func FixedCSD() (CSDCommon, CSDErase) {
	common := CSDCommon{
		AccessTimeCode: 0x0E, TransferRateCode: 0x32, CommandClasses: 0x5B5,
		ReadBlockLog2Bytes: 9, WriteFactorLog2: 2, WriteBlockLog2Bytes: 9,
	}
	return common, CSDErase{EraseBlockEnabled: true, EraseSectorBlocksLessOne: 0x7F}
}
