package partition

import (
	"fmt"
	"math/bits"
)

const mostBitmapBytes = 4 << 20 // for 33 million clusters

// The entries of an exFAT directory, 32 bytes each, after Microsoft's "exFAT file system specification", 6 and 7:
//
//	00h       the directory's end; every entry behind it is 00h too
//	01h..7Fh  not in use: what was deleted, or a label that is not set
//	81h       allocation bitmap: first cluster at 14h, 4 bytes; length at 18h, 8 bytes
//	82h       up-case table: the same
//	83h       volume label
//	85h       file or directory, followed by its C0h and C1h
//	A0h       GUID of the volume
//
// The root directory's clusters are always chained in the FAT, as are those of bitmap and up-case table.
type exfatDirectory struct {
	files          int
	odd            string
	ended          bool
	bitmap, upcase []exfatStream
}

// An exfatStream is the place of a bitmap or an up-case table.
type exfatStream struct{ cluster, lengthBytes uint64 }

func (d *exfatDirectory) look(entries []byte) {
	for ; len(entries) >= fatDirEntryBytes; entries = entries[fatDirEntryBytes:] {
		stream := exfatStream{le32(entries, 0x14), le64(entries, 0x18)}
		switch kind := entries[0]; {
		case kind == 0:
			d.ended = true
		case d.ended:
			d.odd = "something behind its end"
		case kind == 0x81:
			d.bitmap = append(d.bitmap, stream)
		case kind == 0x82:
			d.upcase = append(d.upcase, stream)
		case kind == 0x85:
			d.files++
		case kind < 0x80, kind == 0x83, kind == 0xA0:
		default:
			d.odd = fmt.Sprintf("an entry of type %02x", kind)
		}
	}
}

// exfatHolds looks for files on an exFAT: in its root directory, and by what is in use according to its allocation bitmap.
func exfatHolds(v *volume) (Holds, string, error) {
	b, err := v.bytes(0, 512)
	if err != nil {
		return "", "", err
	}
	if b == nil {
		return unknown("its boot sector does not lie on the medium")
	}
	boot, ok := decodeExFATBoot(b)
	if !ok {
		return unknown("its boot sector makes no sense")
	}
	root := &exfatDirectory{}
	rootClusters, sound, err := boot.chains().follow(v, boot.root, max(mostDirectoryBytes, boot.clusterBytes()), root.look)
	switch {
	case err != nil:
		return "", "", err
	case root.files > 0:
		return HoldsFiles, fmt.Sprintf("entries of files in its root directory: %d", root.files), nil
	case !sound:
		return unknown("its root directory could not be followed to its end")
	case root.odd != "":
		return unknown("its root directory holds %s", root.odd)
	case len(root.bitmap) != 1 || len(root.upcase) != 1:
		return unknown("it has %d allocation bitmaps and %d up-case tables", len(root.bitmap), len(root.upcase))
	}
	return boot.unexplained(v, root, rootClusters)
}

func (x *exfatBoot) clusterBytes() uint64 { return 1 << (x.sectorShift + x.clusterShift) }

func (x *exfatBoot) chains() clusters {
	return clusters{
		tableAt: x.fatAt << x.sectorShift, dataAt: x.heapAt << x.sectorShift, clusterBytes: x.clusterBytes(), count: x.clusters,
		mask: 0xFFFFFFFF, lastFrom: 0xFFFFFFFF,
	}
}

// unexplained counts the clusters in use and holds them against those of the root directory, the bitmap and the up-case table.
func (x *exfatBoot) unexplained(v *volume, root *exfatDirectory, rootClusters uint64) (Holds, string, error) {
	bitmap, upcase := root.bitmap[0], root.upcase[0]
	if bitmap.lengthBytes != (x.clusters+7)/8 || bitmap.lengthBytes > mostBitmapBytes || upcase.lengthBytes > mostDirectoryBytes {
		return unknown("its allocation bitmap has %d bytes for %d clusters, its up-case table %d", bitmap.lengthBytes, x.clusters,
			upcase.lengthBytes)
	}
	own := rootClusters + x.clustersOf(bitmap) + x.clustersOf(upcase)
	used, left := uint64(0), x.clusters
	_, sound, err := x.chains().follow(v, bitmap.cluster, x.clustersOf(bitmap)*x.clusterBytes(), func(piece []byte) {
		for _, value := range piece {
			if left < 8 {
				value &= 1<<left - 1
			}
			used, left = used+uint64(bits.OnesCount8(value)), left-min(left, 8)
		}
	})
	switch {
	case err != nil:
		return "", "", err
	case !sound || left > 0:
		return unknown("its allocation bitmap could not be followed to its end")
	case used != own:
		return unknown("its root directory holds no file, but %d clusters are in use, %d of them its own", used, own)
	}
	return HoldsNothing, fmt.Sprintf("no file in its root directory, none of %d clusters in use by others", x.clusters), nil
}

func (x *exfatBoot) clustersOf(s exfatStream) uint64 {
	return (s.lengthBytes + x.clusterBytes() - 1) / x.clusterBytes()
}
