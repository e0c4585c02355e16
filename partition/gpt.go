package partition

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"strings"
)

// The GUID partition table header, UEFI 2.11, 5.3.2, at LBA 1 and at the last LBA:
//
//	offset size                       offset size
//	00h    8  "EFI PART"              28h    8  first usable LBA
//	08h    4  revision 00010000h      30h    8  last usable LBA
//	0Ch    4  header bytes, 92..      38h   16  disk GUID
//	10h    4  CRC32 of the header     48h    8  LBA of the entries
//	18h    8  LBA of this header      50h    4  number of entries
//	20h    8  LBA of the other one    54h    4  bytes of an entry, 128 * 2^n
//	                                  58h    4  CRC32 of all entries
//
// An entry: 00h 16 type GUID, 10h 16 own GUID, 20h 8 first LBA, 28h 8 last LBA (inclusive), 30h 8 attributes,
// 38h 72 name in UTF-16LE.
//
// This decoder is the project's own, since the library allocates the entry array from unchecked fields, knows entries of
// 128 bytes and headers of 92 only, looks for a backup at the medium's end only, and does not tell what was wrong.
// A test holds the two against each other on sound tables.
const (
	gptSignature      = "EFI PART"
	gptHeaderBytes    = 92
	gptEntryMinBytes  = 128
	gptLegacyBootable = 1 << 2
)

// A gptCopy is one of the two copies of a GPT, as found.
type gptCopy struct {
	sectorBytes, lba         uint64
	guid                     string
	alternate                uint64
	firstUsable, lastUsable  uint64
	entriesAt, count, stride uint64
	entriesCRC               uint32
	entries                  []gptEntry
	problems                 []Finding
}

// A gptEntry is an entry in use.
type gptEntry struct {
	number               int
	kind, guid, name     string
	firstLBA, lastLBA    uint64
	legacyBootAttributes bool
}

func (g *gptCopy) present() bool { return g != nil }
func (g *gptCopy) sound() bool   { return g != nil && len(g.problems) == 0 }

func (g *gptCopy) wrong(code, sentence, evidence string, values ...any) {
	g.problems = append(g.problems, Finding{code, Warning, sentence, fmt.Sprintf(evidence, values...)})
}

// readGPT decodes the copy whose header is at lba. It gives nil where no header's signature is there, and a copy with
// problems where one is but cannot be trusted.
func readGPT(medium *sectorReader, sectorBytes, lba uint64) (*gptCopy, error) {
	if lba > medium.sizeBytes/sectorBytes {
		return nil, nil
	}
	header, err := medium.bytes(lba*sectorBytes, sectorBytes)
	if header == nil || string(header[:8]) != gptSignature {
		return nil, err
	}
	g := &gptCopy{
		sectorBytes: sectorBytes, lba: lba, guid: guidText(header[0x38:]), alternate: le64(header, 0x20),
		firstUsable: le64(header, 0x28), lastUsable: le64(header, 0x30), entriesAt: le64(header, 0x48),
		count: le32(header, 0x50), stride: le32(header, 0x54), entriesCRC: binary.LittleEndian.Uint32(header[0x58:]),
	}
	g.checkHeader(header)
	if !g.entriesFit() {
		return g, nil
	}
	return g, g.readEntries(medium)
}

func (g *gptCopy) checkHeader(header []byte) {
	length, stored := le32(header, 0x0C), binary.LittleEndian.Uint32(header[0x10:])
	if length < gptHeaderBytes || length > g.sectorBytes {
		g.wrong("gpt-header-malformed", "A GPT header has an impossible length.", "LBA %d: %d bytes", g.lba, length)
	} else if computed := headerCRC(header[:length]); computed != stored {
		g.wrong("gpt-header-crc-wrong", "The checksum of a GPT header is wrong.",
			"LBA %d: stored %08x, computed %08x", g.lba, stored, computed)
	}
	if own := le64(header, 0x18); own != g.lba {
		g.wrong("gpt-header-misplaced", "A GPT header belongs at another place than where it is.",
			"at LBA %d, made for LBA %d", g.lba, own)
	}
	if g.firstUsable > g.lastUsable || (g.lba >= g.firstUsable && g.lba <= g.lastUsable) {
		g.wrong("gpt-header-malformed", "A GPT header's usable range is impossible.",
			"LBA %d: usable LBA %d to %d", g.lba, g.firstUsable, g.lastUsable)
	}
}

// headerCRC computes the CRC with its own field taken as zero, without touching the header.
func headerCRC(header []byte) uint32 {
	crc := crc32.ChecksumIEEE(header[:0x10])
	crc = crc32.Update(crc, crc32.IEEETable, make([]byte, 4))
	return crc32.Update(crc, crc32.IEEETable, header[0x14:])
}

// entriesFit checks the array's fields before anything is read or allocated from them.
func (g *gptCopy) entriesFit() bool {
	if g.stride < gptEntryMinBytes || !isPowerOfTwo(g.stride) || g.count > maxReadBytes/g.stride {
		g.wrong("gpt-header-malformed", "A GPT header's entry count or size is impossible.",
			"LBA %d: %d entries of %d bytes", g.lba, g.count, g.stride)
		return false
	}
	return true
}

func (g *gptCopy) readEntries(medium *sectorReader) error {
	var array []byte
	if g.count > 0 && g.entriesAt <= medium.sizeBytes/g.sectorBytes {
		var err error
		if array, err = medium.bytes(g.entriesAt*g.sectorBytes, g.count*g.stride); err != nil {
			return err
		}
	}
	if array == nil && g.count > 0 {
		g.wrong("gpt-entries-missing", "The entries of a GPT would lie beyond the end of the medium.",
			"LBA %d: entries from LBA %d", g.lba, g.entriesAt)
		return nil
	}
	if computed := crc32.ChecksumIEEE(array); computed != g.entriesCRC {
		g.wrong("gpt-entries-crc-wrong", "The checksum of the entries of a GPT is wrong.",
			"LBA %d: stored %08x, computed %08x", g.lba, g.entriesCRC, computed)
	}
	for number := 1; len(array) > 0; number++ {
		if entry := array[:g.stride]; !isZero(entry[:16]) {
			g.entries = append(g.entries, decodeGPTEntry(number, entry))
		}
		array = array[g.stride:]
	}
	return nil
}

func decodeGPTEntry(number int, b []byte) gptEntry {
	return gptEntry{
		number: number, kind: guidText(b), guid: guidText(b[16:]), name: text16(b[56:128], binary.LittleEndian),
		firstLBA: le64(b, 32), lastLBA: le64(b, 40), legacyBootAttributes: le64(b, 48)&gptLegacyBootable != 0,
	}
}

// guidText prints a GUID in upper case; its first three groups lie little-endian on disk.
func guidText(b []byte) string {
	return strings.ToUpper(fmt.Sprintf("%08x-%04x-%04x-%04x-%012x", le32(b, 0), le16(b, 4), le16(b, 6), b[8:10], b[10:16]))
}
