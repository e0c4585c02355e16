package registers

// The fields of the SCR.
var (
	scrStructure        = field{inSCR, "SCR_STRUCTURE", 63, 60}
	scrSpec             = field{inSCR, "SD_SPEC", 59, 56}
	scrErased           = field{inSCR, "DATA_STAT_AFTER_ERASE", 55, 55}
	scrSecurity         = field{inSCR, "SD_SECURITY", 54, 52}
	scrBusWidths        = field{inSCR, "SD_BUS_WIDTHS", 51, 48}
	scrSpec3            = field{inSCR, "SD_SPEC3", 47, 47}
	scrExtendedSecurity = field{inSCR, "EX_SECURITY", 46, 43}
	scrSpec4            = field{inSCR, "SD_SPEC4", 42, 42}
	scrSpecX            = field{inSCR, "SD_SPECX", 41, 38}
	scrCommands         = field{inSCR, "CMD_SUPPORT", 35, 32}
	scrManufacturer     = field{inSCR, "reserved for the manufacturer", 31, 0}
)

// An SCR tells which version of the specification an SD card follows, and what it can do: 8 bytes, without a checksum.
type SCR struct {
	Structure        uint8  // SCR_STRUCTURE, 4 bits
	Spec             uint8  // SD_SPEC, 4 bits
	ErasedIsOnes     bool   // DATA_STAT_AFTER_ERASE
	Security         uint8  // SD_SECURITY, 3 bits: 0 none, 2 SDSC, 3 SDHC, 4 SDXC
	BusWidths        uint8  // SD_BUS_WIDTHS, 4 bits: the lowest for 1 line, the third for 4
	Spec3            bool   // SD_SPEC3
	ExtendedSecurity uint8  // EX_SECURITY, 4 bits
	Spec4            bool   // SD_SPEC4
	SpecX            uint8  // SD_SPECX, 4 bits
	CommandSupport   uint8  // CMD_SUPPORT, 4 bits
	Manufacturer     uint32 // the maker's own bits
}

// Encode gives the register. The error is an ErrField.
func (s SCR) Encode() ([]byte, error) {
	e := encode(inSCR)
	e.put(scrStructure, uint64(s.Structure))
	e.put(scrSpec, uint64(s.Spec))
	e.flag(scrErased, s.ErasedIsOnes)
	e.put(scrSecurity, uint64(s.Security))
	e.put(scrBusWidths, uint64(s.BusWidths))
	e.flag(scrSpec3, s.Spec3)
	e.put(scrExtendedSecurity, uint64(s.ExtendedSecurity))
	e.flag(scrSpec4, s.Spec4)
	e.put(scrSpecX, uint64(s.SpecX))
	e.put(scrCommands, uint64(s.CommandSupport))
	e.put(scrManufacturer, uint64(s.Manufacturer))
	return e.done()
}
