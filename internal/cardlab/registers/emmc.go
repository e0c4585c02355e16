package registers

// The fields of the CID of an eMMC: the serial number lies 8 bits lower than an SD card's.
var (
	emmcManufacturer = field{inCID, "MID", 127, 120}
	emmcReserved     = field{inCID, "reserved", 119, 114} // this and the next two are from memory
	emmcForm         = field{inCID, "CBX", 113, 112}
	emmcOEM          = field{inCID, "OID", 111, 104}
	emmcName         = field{inCID, "PNM", 103, 56}
	emmcRevision     = field{inCID, "PRV", 55, 48}
	emmcSerial       = field{inCID, "PSN", 47, 16}
	emmcMonth        = field{inCID, "MDT, the month", 15, 12}
	emmcYear         = field{inCID, "MDT, the year since 1997", 11, 8}
)

// The fields that the CSD of an eMMC has where an SD card's has others; from memory.
var (
	emmcSpecVersion  = field{inCSD, "SPEC_VERS", 125, 122}
	emmcEraseGroup   = field{inCSD, "ERASE_GRP_SIZE", 46, 42}
	emmcEraseMult    = field{inCSD, "ERASE_GRP_MULT", 41, 37}
	emmcProtectGroup = field{inCSD, "WP_GRP_SIZE", 36, 32}
)

// An EMMCCID identifies an eMMC: 16 bytes.
type EMMCCID struct {
	ManufacturerID uint8  // MID
	Reserved       uint8  // 6 bits
	Form           uint8  // CBX, 2 bits: a card, a chip, or a chip on another
	OEM            uint8  // OID
	Name           string // PNM, 6 bytes
	Revision       uint8  // PRV
	Serial         uint32 // PSN
	Month          int    // MDT, 4 bits; 1 is January
	Year           int    // MDT, 1997 to 2028; 16 years apart look the same, and the revision of EXT_CSD tells which is meant
}

// Encode gives the register. The error is an ErrField.
func (c EMMCCID) Encode() ([]byte, error) {
	e := encode(inCID)
	e.put(emmcManufacturer, uint64(c.ManufacturerID))
	e.put(emmcReserved, uint64(c.Reserved))
	e.put(emmcForm, uint64(c.Form))
	e.put(emmcOEM, uint64(c.OEM))
	e.text(emmcName, c.Name)
	e.put(emmcRevision, uint64(c.Revision))
	e.put(emmcSerial, uint64(c.Serial))
	e.put(emmcMonth, uint64(c.Month))
	year := c.Year - 1997
	if year >= 16 {
		year -= 16
	}
	e.put(emmcYear, uint64(year))
	return e.sealed()
}

// An EMMCCSD describes how an eMMC is used; above 2 GiB it does not tell the capacity.
type EMMCCSD struct {
	CSDCommon
	CSDBlocks                             // Size is 0xFFF above 2 GiB
	Structure                       uint8 // CSD_STRUCTURE, 2 bits
	SpecVersion                     uint8 // SPEC_VERS, 4 bits
	EraseGroupUnitsLessOne          uint8 // ERASE_GRP_SIZE, 5 bits
	EraseGroupMultLessOne           uint8 // ERASE_GRP_MULT, 5 bits
	WriteProtectGroupSectorsLessOne uint8 // WP_GRP_SIZE, 5 bits
}

// Encode gives the register. The error is an ErrField.
func (c EMMCCSD) Encode() ([]byte, error) {
	e := encode(inCSD)
	e.put(csdStructure, uint64(c.Structure))
	e.put(emmcSpecVersion, uint64(c.SpecVersion))
	c.CSDCommon.put(e)
	c.CSDBlocks.put(e)
	e.put(emmcEraseGroup, uint64(c.EraseGroupUnitsLessOne))
	e.put(emmcEraseMult, uint64(c.EraseGroupMultLessOne))
	e.put(emmcProtectGroup, uint64(c.WriteProtectGroupSectorsLessOne))
	return e.sealed()
}

// ExtCSD is what the kernel shows of the 512 bytes that an eMMC tells beside its registers.
type ExtCSD struct {
	Revision        uint8  // EXT_CSD_REV: 5 is version 4.41, 6 is 4.5, 7 is 5.0, 8 is 5.1
	FirmwareVersion uint64 // FIRMWARE_VERSION, told from revision 7 on
	PreEOL          uint8  // PRE_EOL_INFO: 1 normal, 2 warning, 3 urgent
	LifeTimeA       uint8  // DEVICE_LIFE_TIME_EST_TYP_A: 1 to 10 for each tenth used, 11 for more
	LifeTimeB       uint8  // DEVICE_LIFE_TIME_EST_TYP_B, likewise
}
