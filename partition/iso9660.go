package partition

import (
	"bytes"
	"encoding/binary"
	"strings"
)

// ISO 9660 volume descriptors (ECMA-119, clause 8), 2048 bytes each from byte 8000h on:
//
//	offset size                offset size
//	000h   1  type             058h 32  escape sequences (supplementary only)
//	001h   5  "CD001"          080h  2  block bytes, LE
//	028h  32  label            32Dh 17  creation date
//	050h   4  blocks, LE       33Eh 17  modification date
//
// Type 1 is the primary, 2 a supplementary one (Joliet, whose label is UTF-16BE), 255 ends the list.
const (
	isoDescriptorsAt    = 0x8000
	isoDescriptorBytes  = 2048
	maxISODescriptors   = 32
	isoPrimary          = 1
	isoSupplementary    = 2
	isoJolietLabelUnits = 16
)

func probeISO9660(v *volume) (*FileSystem, error) {
	var fs *FileSystem
	joliet := ""
	for i := range uint64(maxISODescriptors) {
		b, err := v.bytes(isoDescriptorsAt+i*isoDescriptorBytes, isoDescriptorBytes)
		if err != nil {
			return nil, err
		}
		if b == nil || string(b[1:6]) != "CD001" {
			break
		}
		switch {
		case b[0] == isoPrimary && fs == nil:
			fs = &FileSystem{
				Kind: "iso9660", Label: text8(b[0x28:0x48]), UUID: isoUUID(b),
				SizeBytes: sizeOf(le32(b, 0x50), le16(b, 0x80)),
			}
		case b[0] == isoSupplementary && joliet == "" && isJoliet(b[0x58:0x78]):
			joliet = text16(b[0x28:0x48], binary.BigEndian)
		}
	}
	// Joliet keeps case and script, but holds half as many letters: it is the better label unless it is merely cut.
	if fs != nil && joliet != "" && (len(fs.Label) <= isoJolietLabelUnits || !strings.HasPrefix(fs.Label, joliet)) {
		fs.Label = joliet
	}
	return fs, nil
}

func isJoliet(escapes []byte) bool {
	for _, level := range []string{"%/@", "%/C", "%/E"} {
		if bytes.HasPrefix(escapes, []byte(level)) {
			return true
		}
	}
	return false
}

// isoUUID prints the modification date, or where it is unset the creation date, as "2026-11-25-08-50-17-00".
func isoUUID(b []byte) string {
	for _, at := range []int{0x33E, 0x32D} {
		date := b[at : at+16]
		if strings.Trim(string(date), "0123456789") != "" || strings.Trim(string(date), "0") == "" {
			continue
		}
		var parts []string
		for _, width := range []int{4, 2, 2, 2, 2, 2, 2} {
			parts = append(parts, string(date[:width]))
			date = date[width:]
		}
		return strings.Join(parts, "-")
	}
	return ""
}
