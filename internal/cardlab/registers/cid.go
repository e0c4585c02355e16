package registers

// The fields of the CID of an SD card.
var (
	cidManufacturer = field{inCID, "MID", 127, 120}
	cidOEM          = field{inCID, "OID", 119, 104}
	cidName         = field{inCID, "PNM", 103, 64}
	cidMajor        = field{inCID, "PRV, the digit before the point", 63, 60}
	cidMinor        = field{inCID, "PRV, the digit after the point", 59, 56}
	cidSerial       = field{inCID, "PSN", 55, 24}
	cidReserved     = field{inCID, "reserved", 23, 20}
	cidYear         = field{inCID, "MDT, the year since 2000", 19, 12}
	cidMonth        = field{inCID, "MDT, the month", 11, 8}
	cidChecksum     = field{inCID, "CRC", 7, 1}
)

// A CID identifies an SD card: 16 bytes, from MID in bits 127:120 on.
type CID struct {
	ManufacturerID uint8  // MID
	OEM            string // OID, 2 bytes
	Name           string // PNM, 5 bytes
	RevisionMajor  uint8  // PRV, the digit before the point; 4 bits
	RevisionMinor  uint8  // PRV, the digit after it; 4 bits
	Serial         uint32 // PSN
	Reserved       uint8  // 4 bits
	Year           int    // MDT, 2000 to 2255
	Month          int    // MDT, 4 bits; 1 is January
}

// Encode gives the register. The error is an ErrField.
func (c CID) Encode() ([]byte, error) {
	e := encode(inCID)
	e.put(cidManufacturer, uint64(c.ManufacturerID))
	e.text(cidOEM, c.OEM)
	e.text(cidName, c.Name)
	e.put(cidMajor, uint64(c.RevisionMajor))
	e.put(cidMinor, uint64(c.RevisionMinor))
	e.put(cidSerial, uint64(c.Serial))
	e.put(cidReserved, uint64(c.Reserved))
	e.put(cidYear, uint64(c.Year-2000))
	e.put(cidMonth, uint64(c.Month))
	return e.sealed()
}
