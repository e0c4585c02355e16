package partition

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"math"
	"strings"
	"unicode/utf16"
)

// A probe looks for one family of file systems in a volume. It gives nil where it finds none of them.
type probe func(*volume) (*FileSystem, error)

// probes lists them so that the strongest evidence comes first: where an old signature survived below a newer file
// system, the one whose signature opens the volume is the likelier. FAT comes last, as it is told by plausibility alone.
func probes() []probe {
	return []probe{
		probeLUKS, probeXFS, probeSquashfs, probeExFAT, probeNTFS, probeExt,
		probeF2FS, probeEROFS, probeBtrfs, probeSwap, probeISO9660, probeFAT,
	}
}

// fileSystems gives every file system whose signature the volume bears, the likeliest first.
func fileSystems(v *volume) ([]FileSystem, error) {
	var found []FileSystem
	for _, look := range probes() {
		fs, err := look(v)
		if err != nil {
			return nil, err
		}
		if fs != nil {
			found = append(found, *fs)
		}
	}
	return found, nil
}

// Short forms for on-disk integers. The caller has checked that b is long enough.
func le16(b []byte, at int) uint64 { return uint64(binary.LittleEndian.Uint16(b[at:])) }
func le32(b []byte, at int) uint64 { return uint64(binary.LittleEndian.Uint32(b[at:])) }
func le64(b []byte, at int) uint64 { return binary.LittleEndian.Uint64(b[at:]) }
func be16(b []byte, at int) uint64 { return uint64(binary.BigEndian.Uint16(b[at:])) }
func be32(b []byte, at int) uint64 { return uint64(binary.BigEndian.Uint32(b[at:])) }
func be64(b []byte, at int) uint64 { return binary.BigEndian.Uint64(b[at:]) }

func isPowerOfTwo(n uint64) bool { return n != 0 && n&(n-1) == 0 }

// sizeOf multiplies a count by a unit; what no medium can hold is cut to the largest size, so that it is told as too large
// rather than wrapped to something plausible.
func sizeOf(count, unitBytes uint64) int64 {
	if unitBytes != 0 && count > math.MaxInt64/unitBytes {
		return math.MaxInt64
	}
	return int64(count * unitBytes)
}

// dashedUUID prints 16 bytes in the order they lie on disk, lower case; zeros print as none.
func dashedUUID(b []byte) string {
	if isZero(b) {
		return ""
	}
	h := hex.EncodeToString(b[:16])
	return strings.Join([]string{h[:8], h[8:12], h[12:16], h[16:20], h[20:]}, "-")
}

// serialUUID prints the 4-byte volume serial of FAT and exFAT as "ABCD-1234"; zeros print as none.
func serialUUID(b []byte) string {
	if isZero(b[:4]) {
		return ""
	}
	h := strings.ToUpper(hex.EncodeToString([]byte{b[3], b[2], b[1], b[0]}))
	return h[:4] + "-" + h[4:]
}

func isZero(b []byte) bool {
	for _, value := range b {
		if value != 0 {
			return false
		}
	}
	return true
}

// text8 gives a label that ends at a NUL or at the field's end, without trailing blanks.
func text8(b []byte) string {
	if end := bytes.IndexByte(b, 0); end >= 0 {
		b = b[:end]
	}
	return strings.TrimRight(strings.ToValidUTF8(string(b), "\uFFFD"), " \t\r\n")
}

// text16 gives a UTF-16 label that ends at a NUL or at the field's end, without trailing blanks.
func text16(b []byte, order binary.ByteOrder) string {
	units := make([]uint16, 0, len(b)/2)
	for ; len(b) >= 2; b = b[2:] {
		unit := order.Uint16(b)
		if unit == 0 {
			break
		}
		units = append(units, unit)
	}
	return strings.TrimRight(string(utf16.Decode(units)), " \t\r\n")
}
