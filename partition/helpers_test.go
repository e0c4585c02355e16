package partition_test

import (
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"io"
	"os"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/klauspost/compress/zstd"

	"cardwright/partition"
)

// strictMedium behaves like a card opened for direct I/O: a read that is not whole sectors inside it fails the test. Behind
// its content it holds zeros.
type strictMedium struct {
	t           testing.TB
	content     []byte
	sizeBytes   int64
	sectorBytes int64
	reads       int
	askedBytes  int64
}

func (m *strictMedium) ReadAt(b []byte, offsetBytes int64) (int, error) {
	m.reads++
	m.askedBytes += int64(len(b))
	if offsetBytes%m.sectorBytes != 0 || int64(len(b))%m.sectorBytes != 0 {
		m.t.Errorf("read of %d bytes at %d is not whole sectors of %d", len(b), offsetBytes, m.sectorBytes)
	}
	if offsetBytes < 0 || offsetBytes+int64(len(b)) > m.sizeBytes {
		m.t.Errorf("read of %d bytes at %d leaves a medium of %d", len(b), offsetBytes, m.sizeBytes)
		return 0, io.EOF
	}
	clear(b)
	if offsetBytes < int64(len(m.content)) {
		copy(b, m.content[offsetBytes:])
	}
	return len(b), nil
}

func inspectSized(t testing.TB, content []byte, sizeBytes, sectorBytes int64) *partition.Table {
	t.Helper()
	table, err := partition.Inspect(&strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: sectorBytes}, sizeBytes, sectorBytes)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func inspect(t testing.TB, content []byte) *partition.Table {
	t.Helper()
	return inspectSized(t, content, int64(len(content)), 512)
}

func finding(table *partition.Table, code string) *partition.Finding {
	return findingIn(table.Findings, code)
}

func findingIn(findings []partition.Finding, code string) *partition.Finding {
	for i := range findings {
		if findings[i].Code == code {
			return &findings[i]
		}
	}
	return nil
}

// expand gives the start of a file system that was stored as a fixture.
func expand(t testing.TB, name string) []byte {
	t.Helper()
	packed, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	decoder, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer decoder.Close()
	plain, err := decoder.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return plain
}

// An entry is one slot of an MBR or EBR, as UEFI 2.11 table 5.2 lays it out.
type entry struct {
	boot, kind     byte
	start, sectors uint32
}

// putMBR writes disk id, entries and signature into a sector.
func putMBR(sector []byte, id uint32, entries ...entry) {
	binary.LittleEndian.PutUint32(sector[440:], id)
	for i, e := range entries {
		slot := sector[446+16*i:]
		slot[0], slot[4] = e.boot, e.kind
		binary.LittleEndian.PutUint32(slot[8:], e.start)
		binary.LittleEndian.PutUint32(slot[12:], e.sectors)
	}
	sector[510], sector[511] = 0x55, 0xAA
}

// A gptPart is one GPT entry; a zero kind is an unused slot.
type gptPart struct {
	kind, guid, name string
	first, last      uint64
	attributes       uint64
}

const (
	efiSystem = "C12A7328-F81F-11D2-BA4B-00A0C93EC93B"
	linuxData = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
	diskGUID  = "DD27F98D-7519-4C9E-8041-F2BFA7B1EF61"
)

// A gptLayout writes both copies of a GPT after UEFI 2.11, 5.3.2 and 5.3.3; zero fields get the usual values.
type gptLayout struct {
	sectorBytes, sectors, count, stride uint64
	parts                               []gptPart
}

// write gives a whole medium with a protective MBR and both copies.
func (g gptLayout) write() []byte {
	g.count, g.stride = max(g.count, 128), max(g.stride, 128)
	b := make([]byte, g.sectors*g.sectorBytes)
	putMBR(b, 0, entry{0, 0xEE, 1, uint32(g.sectors - 1)})
	g.writeCopies(b)
	return b
}

func (g gptLayout) arraySectors() uint64 {
	return (g.count*g.stride + g.sectorBytes - 1) / g.sectorBytes
}

func (g gptLayout) writeCopies(b []byte) {
	last := g.sectors - 1
	array := g.array()
	copy(b[2*g.sectorBytes:], array)
	copy(b[(last-g.arraySectors())*g.sectorBytes:], array)
	g.header(b, 1, last, 2, crc32.ChecksumIEEE(array))
	g.header(b, last, 1, last-g.arraySectors(), crc32.ChecksumIEEE(array))
}

func (g gptLayout) array() []byte {
	array := make([]byte, g.count*g.stride)
	for i, p := range g.parts {
		if p.kind == "" {
			continue
		}
		slot := array[uint64(i)*g.stride:]
		copy(slot, guidBytes(p.kind))
		copy(slot[16:], guidBytes(p.guid))
		binary.LittleEndian.PutUint64(slot[32:], p.first)
		binary.LittleEndian.PutUint64(slot[40:], p.last)
		binary.LittleEndian.PutUint64(slot[48:], p.attributes)
		for j, unit := range utf16.Encode([]rune(p.name)) {
			binary.LittleEndian.PutUint16(slot[56+2*j:], unit)
		}
	}
	return array
}

func (g gptLayout) header(b []byte, lba, alternate, entriesAt uint64, arrayCRC uint32) {
	h := b[lba*g.sectorBytes:][:92]
	copy(h, "EFI PART\x00\x00\x01\x00\x5c\x00\x00\x00")
	binary.LittleEndian.PutUint64(h[24:], lba)
	binary.LittleEndian.PutUint64(h[32:], alternate)
	binary.LittleEndian.PutUint64(h[40:], 2+g.arraySectors())
	binary.LittleEndian.PutUint64(h[48:], g.sectors-2-g.arraySectors())
	copy(h[56:], guidBytes(diskGUID))
	binary.LittleEndian.PutUint64(h[72:], entriesAt)
	binary.LittleEndian.PutUint32(h[80:], uint32(g.count))
	binary.LittleEndian.PutUint32(h[84:], uint32(g.stride))
	binary.LittleEndian.PutUint32(h[88:], arrayCRC)
	sealHeader(h)
}

// sealHeader computes the header's CRC anew, after a test changed a field.
func sealHeader(h []byte) {
	clear(h[16:20])
	binary.LittleEndian.PutUint32(h[16:], crc32.ChecksumIEEE(h[:92]))
}

// guidBytes lays a GUID out as on disk: three groups little-endian.
func guidBytes(text string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(text, "-", ""))
	if err != nil || len(b) != 16 {
		panic("bad GUID in a test: " + text)
	}
	b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7] = b[3], b[2], b[1], b[0], b[5], b[4], b[7], b[6]
	return b
}
