package identity_test

import (
	"encoding/binary"
	"testing"

	"cardwright/internal/identity"
)

// TestCapacity holds CSDs against the sizes that sources give for their fields; the registers are built by the tables of the
// Physical Layer Specification 4.10, 5.3, with checksum and end bit.
func TestCapacity(t *testing.T) {
	for _, c := range []struct {
		name, csd, structure string
		bytes                int64
	}{
		{"textbook example, C_SIZE 3623", "002600325b598389c001cfff9240006d", "1.0", 59_375_616},
		{"4 MByte card of a card manual that quotes the specification", "002600325b5981ffc0004fff92400003", "1.0", 4_194_304},
		{"2 GiB, which needs blocks of 1024", "002600325b5a83ffc003cfff92800053", "1.0", 1 << 31},
		{"1 GiB", "002600325b5983ffc003cfff92400051", "1.0", 1 << 30},
		{"least SDHC (4.10, p. 123: 4,211,712 sectors)", "400e00325b59000010107f800a4000b7", "2.0", 4_211_712 * 512},
		{"largest SDHC (from memory: 32 GB less 80 MB)", "400e00325b590000ff5f7f800a40009d", "2.0", 66_945_024 * 512},
		{"least SDXC (4.10, p. 124: 32 GB)", "400e00325b590000ffff7f800a400003", "2.0", 67_108_864 * 512},
		{"largest SDXC (from memory: 2 TB less 128 MB)", "400e00325b59003ffeff7f800a4000ef", "2.0", 4_294_705_152 * 512},
		{"least SDUC (the kernel's patch series for it: C_SIZE 400000h)", "800e00325b59004000007f800a4000b5", "3.0", 2<<40 + 512<<10},
		{"dump of a card (tests of an open-source Rust SD library)", "400e00325b59000039b37f800a4000f8", "2.0", 7_744_782_336},
	} {
		register := unhex(t, c.csd)
		csd := identity.Decode(&identity.Raw{Kind: identity.KindSD, CSD: register}).CSD
		if csd.Structure != c.structure || csd.CapacityBytes != c.bytes || csd.Raw != c.csd || sumTold(csd.CRCOK) != "true" {
			t.Errorf("%s: got %+v", c.name, csd)
		}
		expectWhole(t, register, csd.Fields)
	}
}

// TestCSDAtItsEdges decodes sizes at the ends of what structures can hold.
func TestCSDAtItsEdges(t *testing.T) {
	for _, c := range []struct {
		name, csd, structure string
		kind                 identity.Kind
		bytes                int64
	}{
		{"largest of 1.0 (4.10, 5.3.2): 4 GiB", "002600325b5b83ffc003cfff92c00000", "1.0", identity.KindSD, 4 << 30},
		{"largest of 3.0, 28 bits: 128 TiB", "800e00325b590fffffff7f800a400000", "3.0", identity.KindSD, 128 << 40},
		{"a block length that is reserved", "002600325b5c83ffc003cfff92400000", "1.0", identity.KindSD, 0},
		{"a structure that is none", "c00e00325b59000039b37f800a400000", "unknown", identity.KindSD, 0},
		{"eMMC over 2 GiB (Linux: C_SIZE FFFh means SEC_COUNT)", "d00f00320f5903ffffffffef92400000", "ext", identity.KindEMMC, 0},
		{"eMMC of 1 GiB", "902f002a0f5983bfffffffef92400000", "1.2", identity.KindEMMC, (0xeff + 1) << (7 + 2 + 9)},
	} {
		register := unhex(t, c.csd)
		csd := identity.Decode(&identity.Raw{Kind: c.kind, CSD: register}).CSD
		if csd.Structure != c.structure || csd.CapacityBytes != c.bytes || csd.CRCOK != nil {
			t.Errorf("%s: got %+v", c.name, csd)
		}
		expectWhole(t, register, csd.Fields)
	}
}

// TestCSDFields looks at the fields of the least SDHC card, which holds all that structure 2.0 fixes (4.10, 5.3.3).
func TestCSDFields(t *testing.T) {
	csd := identity.Decode(&identity.Raw{Kind: identity.KindSD, CSD: unhex(t, "400e00325b59000010107f800a4000b7")}).CSD
	expectValues(t, csd, map[string]uint64{
		"CSD_STRUCTURE": 1, "TAAC": 0x0e, "NSAC": 0, "TRAN_SPEED": 0x32, "CCC": 0x5b5, "READ_BL_LEN": 9, "READ_BL_PARTIAL": 0,
		"WRITE_BLK_MISALIGN": 0, "READ_BLK_MISALIGN": 0, "C_SIZE": 0x1010, "ERASE_BLK_EN": 1, "SECTOR_SIZE": 0x7f, "WP_GRP_SIZE": 0,
		"WP_GRP_ENABLE": 0, "R2W_FACTOR": 2, "WRITE_BL_LEN": 9, "WRITE_BL_PARTIAL": 0, "FILE_FORMAT_GRP": 0, "COPY": 0,
		"PERM_WRITE_PROTECT": 0, "TMP_WRITE_PROTECT": 0, "FILE_FORMAT": 0, "CRC": 0x5b, "end bit": 1,
	})
	for name, want := range map[string]string{
		"TAAC": "1 ms, as fixed", "TRAN_SPEED": "25 Mbit/s per line in this bus mode", "CCC": "command classes: 0, 2, 4, 5, 7, 8, 10",
		"READ_BL_LEN": "blocks of 512 bytes, as fixed", "C_SIZE": "a user area of 2156396544 bytes",
		"R2W_FACTOR": "a write takes 4 times as long as a read, as fixed", "CRC": "right",
	} {
		if got := meaningOf(t, csd.Fields, name); got != want {
			t.Errorf("%s: got %q, want %q", name, got, want)
		}
	}
	register := unhex(t, "402600325b59000010107f800a400000") // TAAC of an older card
	other := identity.Decode(&identity.Raw{Kind: identity.KindSD, CSD: register}).CSD
	if got := meaningOf(t, other.Fields, "TAAC"); got != "1.5 ms, where the specification fixes 0x0e" {
		t.Errorf("TAAC: %q", got)
	}
}

// TestTransferRate takes codes and rates from Linux (drivers/mmc/core/sd.c) and the Physical Layer Specification 4.10, p. 123.
func TestTransferRate(t *testing.T) {
	for _, c := range []struct {
		kind identity.Kind
		code byte
		want string
	}{
		{identity.KindSD, 0x32, "25 Mbit/s per line in this bus mode"},
		{identity.KindSD, 0x5a, "50 Mbit/s per line in this bus mode"},
		{identity.KindSD, 0x0b, "100 Mbit/s per line in this bus mode"},
		{identity.KindSD, 0x2b, "200 Mbit/s per line in this bus mode"},
		{identity.KindSD, 0x08, "100 kbit/s per line in this bus mode"},
		{identity.KindSD, 0x12, "12 Mbit/s per line in this bus mode"},
		{identity.KindSD, 0x19, "1.3 Mbit/s per line in this bus mode"},
		{identity.KindSD, 0x00, "reserved code 0x00"}, // no value
		{identity.KindSD, 0x34, "reserved code 0x34"}, // no unit
		{identity.KindSD, 0xb2, "reserved code 0xb2"}, // the highest bit is reserved
		{identity.KindEMMC, 0x32, "26 Mbit/s per line in this bus mode"},
		{identity.KindEMMC, 0x5a, "52 Mbit/s per line in this bus mode"},
	} {
		register := unhex(t, "400e00325b59000010107f800a400000")
		register[3] = c.code
		csd := identity.Decode(&identity.Raw{Kind: c.kind, CSD: register}).CSD
		if got := meaningOf(t, csd.Fields, "TRAN_SPEED"); got != c.want {
			t.Errorf("%s, code 0x%02x: got %q, want %q", c.kind, c.code, got, c.want)
		}
	}
}

// TestReservedCodesOfCSD decodes codes that structure 1.0 reserves.
func TestReservedCodesOfCSD(t *testing.T) {
	register := make([]byte, 16)
	binary.BigEndian.PutUint64(register[8:], 7<<26|12<<22) // R2W_FACTOR, WRITE_BL_LEN
	register[0] = 0x3f                                     // 125:120
	csd := identity.Decode(&identity.Raw{Kind: identity.KindSD, CSD: register}).CSD
	for name, want := range map[string]string{
		"reserved": "reserved bits that are not 0", "TAAC": "reserved code 0x00", "READ_BL_LEN": "reserved code 0x00",
		"R2W_FACTOR": "reserved code 0x07", "WRITE_BL_LEN": "reserved code 0x0c", "CCC": "command classes: none",
		"C_SIZE": "tells no size here",
	} {
		if got := meaningOf(t, csd.Fields, name); got != want {
			t.Errorf("%s: got %q, want %q", name, got, want)
		}
	}
	expectWhole(t, register, csd.Fields)
}
