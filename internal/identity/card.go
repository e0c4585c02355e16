package identity

// A Kind tells an SD card from an eMMC module, whose registers have other layouts. Where the host did not state it, it is a
// guess by what is there: only SD cards have SCR and SSR, only an eMMC tells of its wear, and their CIDs mostly look different.
type Kind string

// The kinds.
const (
	KindSD   Kind = "sd"
	KindEMMC Kind = "emmc"
)

// A Card is what a card's registers tell, decoded. A register that is not there, or could not be read, is nil.
type Card struct {
	Kind   Kind    `json:"kind"`
	CID    *CID    `json:"cid"`
	CSD    *CSD    `json:"csd"`
	SCR    *SCR    `json:"scr"`
	SSR    *SSR    `json:"ssr"`
	Health *Health `json:"health"` // eMMC
}

// A Field is one field of a register: its name in the specification, the bits it takes, what they hold, and what that means.
// The fields of a register cover all its bits, in order.
type Field struct {
	Name    string `json:"name"`
	Bits    string `json:"bits"` // "127:120"; a single bit is "15"; of EXT_CSD "byte 268"
	Raw     string `json:"raw"`  // "0x1b"
	Meaning string `json:"meaning"`
}

// A CID is the card identification register.
type CID struct {
	Raw            string  `json:"raw"`             // 32 hex digits
	ManufacturerID ID      `json:"manufacturer_id"` // "0x1b"
	OEMID          string  `json:"oem_id"`          // SD: two characters, those not printable as \xNN; eMMC: "0x0100"
	Name           string  `json:"name"`            // what is not printable, and a backslash, as \xNN
	Revision       string  `json:"revision"`        // "6.2"
	Serial         Serial  `json:"serial"`          // "0x12345678"
	Manufactured   string  `json:"manufactured"`    // "2014-03"; a month that is none stands as it is: "2030-13"
	CRCOK          *bool   `json:"crc_ok"`          // nil where the host delivers no checksum
	Fields         []Field `json:"fields"`
	Year           int     `json:"-"` // the later one where the year of an eMMC may be either of two
	Month          int     `json:"-"` // 1 to 12 where it is one
}

// A CSD is the card-specific data register.
type CSD struct {
	Raw           string  `json:"raw"`            // 32 hex digits
	Structure     string  `json:"structure"`      // SD: "1.0", "2.0", "3.0" or "unknown"; eMMC: "1.0" to "1.2" or "ext"
	CapacityBytes int64   `json:"capacity_bytes"` // of the user area; 0 where it does not tell (eMMC over 2 GiB, reserved codes)
	CRCOK         *bool   `json:"crc_ok"`         // nil where the host delivers no checksum
	Fields        []Field `json:"fields"`
}

// An SCR is the SD configuration register.
type SCR struct {
	Raw         string  `json:"raw"`          // 16 hex digits
	SpecVersion string  `json:"spec_version"` // "3.0x"; "unknown" for a combination that is none
	Security    int     `json:"-"`            // SD_SECURITY
	Spec3       bool    `json:"-"`            // SD_SPEC3: version 3.00 or later
	Fields      []Field `json:"fields"`
}

// An SSR is the SD status register. A class is 0 where the card claims none, and where its code is reserved, which Fields then
// tells.
type SSR struct {
	Raw        string  `json:"raw"`         // 128 hex digits
	SpeedClass int     `json:"speed_class"` // 2, 4, 6, 10
	UHSGrade   int     `json:"uhs_grade"`   // 1, 3
	VideoClass int     `json:"video_class"` // 6, 10, 30, 60, 90
	AppClass   int     `json:"app_class"`   // 1, 2
	AUBytes    int64   `json:"au_bytes"`    // the size of an allocation unit; 0 where undefined
	Discard    bool    `json:"discard"`
	Fields     []Field `json:"fields"`
}

// Health is what an eMMC module says of its own wear (JESD84-B51, from memory). A text is empty where the host does not tell.
type Health struct {
	LifeTimeA string  `json:"life_time_a"` // "10-20 % used"
	LifeTimeB string  `json:"life_time_b"`
	PreEOL    string  `json:"pre_eol"`
	Fields    []Field `json:"fields"`
}
