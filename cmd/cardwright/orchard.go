package main

import (
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/backend/file"
	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/ext4"
	"github.com/diskfs/go-diskfs/filesystem/fat32"
	"github.com/diskfs/go-diskfs/partition/mbr"
	"github.com/google/uuid"
	"github.com/ulikunitz/xz"
)

// The image of the demo: a boot partition and a root partition, as boards have them, in an image of 96 MiB. That is enough
// for a pace to be judged, and little enough for a demo.
//
//	MiB  0 to  4   partition table
//	MiB  4 to 40   FAT32 ORCHARD: what each board needs to start
//	MiB 40 to 96   ext4 frostnode: the frost alarm and its measurements
const (
	orchardBytes      = 96 << 20
	orchardBootStart  = 4 << 20
	orchardRootStart  = 40 << 20
	orchardLogBytes   = 4 << 20
	orchardLogs       = 11
	orchardSector     = 512
	diskIDOffset      = 440 // of the MBR's disk id, 4 bytes
	orchardBootLength = orchardRootStart - orchardBootStart
	orchardRootLength = orchardBytes - orchardRootStart
)

// buildOrchard makes the image file of the village orchard's boards.
func buildOrchard(imagePath string) (err error) {
	image, err := os.Create(imagePath)
	if err != nil {
		return err
	}
	defer func() {
		if closing := image.Close(); err == nil {
			err = closing
		}
	}()
	if err := image.Truncate(orchardBytes); err != nil {
		return err
	}
	disk := file.New(image, false)
	boot, err := fat32.Create(disk, orchardBootLength, orchardBootStart, orchardSector, "ORCHARD", true)
	if err != nil {
		return fmt.Errorf("make the boot file system: %w", err)
	}
	if err := fill(boot, bootFiles()); err != nil {
		return err
	}
	if err := countFreeClusters(image, orchardBootStart); err != nil {
		return fmt.Errorf("finish the boot file system: %w", err)
	}
	root, err := orchardRoot(disk)
	if err != nil {
		return fmt.Errorf("make the root file system: %w", err)
	}
	if err := fill(root, rootFiles()); err != nil {
		return err
	}
	if err := orchardTable().Write(image, orchardBytes); err != nil {
		return err
	}
	_, err = image.WriteAt([]byte{0x07, 0x0c, 0xad, 0x0b}, diskIDOffset)
	return err
}

func orchardTable() *mbr.Table {
	return &mbr.Table{
		LogicalSectorSize: orchardSector, PhysicalSectorSize: orchardSector,
		Partitions: []*mbr.Partition{
			{Bootable: true, Type: mbr.Fat32LBA, Start: orchardBootStart / orchardSector, Size: orchardBootLength / orchardSector},
			{Type: mbr.Linux, Start: orchardRootStart / orchardSector, Size: orchardRootLength / orchardSector},
		},
	}
}

func orchardRoot(disk backend.Storage) (filesystem.FileSystem, error) {
	id := uuid.NewSHA1(uuid.NameSpaceURL, []byte("frostnode")) // the same in every demo
	return ext4.Create(disk, orchardRootLength, orchardRootStart, orchardSector, &ext4.Params{UUID: &id, VolumeName: "frostnode"})
}

// A page is one file of the image.
type page struct {
	name    string
	content []byte
}

func bootFiles() []page {
	return []page{
		{"START.TXT", []byte("Frost alarm of the village orchard.\nBoard 1 hangs at the gate, board 12 at the brook.\n")},
		{"NODE.CFG", []byte("row=7\nwarn_below_celsius=1.5\nalarm_below_celsius=-0.5\nhorn=yes\n")},
		{"KERNEL.BIN", journal(0, 6<<20)},
	}
}

func rootFiles() []page {
	pages := []page{
		{"etc/frost/trees.csv", []byte("row,trees,kind\n1,22,plum\n2,24,plum\n7,19,pear\n9,31,apple\n")},
		{"etc/frost/horn.conf", []byte("seconds=40\nquiet_from=never\n")},
	}
	for i := range orchardLogs {
		pages = append(pages, page{fmt.Sprintf("var/frost/night-%02d.log", i+1), journal(i+1, orchardLogBytes)})
	}
	return pages
}

// journal makes the measurements of a night, one page after another. Each page begins in a way of its own, so that every
// block of the image is one of its kind; the rest repeats, so that packing takes no time worth waiting for.
func journal(night, lengthBytes int) []byte {
	text := make([]byte, 0, lengthBytes+journalPage)
	for number := 0; len(text) < lengthBytes; number++ {
		start := len(text)
		text = fmt.Appendf(text, "night %02d page %06d\n", night, number)
		for len(text)-start < journalPage {
			text = append(text, "air +01.9 blossom +01.4 calm\n"...)
		}
	}
	return text[:lengthBytes]
}

const journalPage = 64 << 10

// fill writes files into a new file system and closes it.
func fill(fs filesystem.FileSystem, pages []page) error {
	for _, p := range pages {
		if folder := path.Dir(p.name); folder != "." {
			if err := fs.Mkdir(folder); err != nil {
				return fmt.Errorf("make %s: %w", folder, err)
			}
		}
		if err := writePage(fs, p); err != nil {
			return fmt.Errorf("write %s: %w", p.name, err)
		}
	}
	return fs.Close()
}

func writePage(fs filesystem.FileSystem, p page) error {
	f, err := fs.OpenFile(p.name, os.O_CREATE|os.O_RDWR)
	if err != nil {
		return err
	}
	if _, err := f.Write(p.content); err != nil {
		return err
	}
	return f.Close()
}

// countFreeClusters writes how many clusters are free into the file-system information sector of a FAT32 file system, and
// into its copy. The library leaves that field unset, which is allowed but makes systems count on the first mount. The
// layout is that of the FAT specification (Microsoft, version 1.03), from memory:
//
//	boot sector      16 copies of the table 1, 32 sectors 4, 36 sectors of a table 4, 14 reserved sectors 2, 13 sectors of a cluster 1
//	information     488 free clusters 4
func countFreeClusters(image *os.File, startBytes int64) error {
	boot := make([]byte, orchardSector)
	if _, err := image.ReadAt(boot, startBytes); err != nil {
		return err
	}
	word := func(at int) int64 { return int64(binary.LittleEndian.Uint32(boot[at:])) }
	reserved, tableSectors := int64(binary.LittleEndian.Uint16(boot[14:])), word(36)
	clusters := (word(32) - reserved - int64(boot[16])*tableSectors) / int64(boot[13])
	table := make([]byte, 4*(clusters+2))
	if _, err := image.ReadAt(table, startBytes+reserved*orchardSector); err != nil {
		return err
	}
	free := uint32(0)
	for entry := table[4*2:]; len(entry) > 0; entry = entry[4:] { // the first two stand for no cluster
		if binary.LittleEndian.Uint32(entry)&0x0fffffff == 0 {
			free++
		}
	}
	for _, sector := range []int64{1, 7} {
		field := binary.LittleEndian.AppendUint32(nil, free)
		if _, err := image.WriteAt(field, startBytes+sector*orchardSector+488); err != nil {
			return err
		}
	}
	return nil
}

// packOrchard packs the image as xz, as published images are.
func packOrchard(imagePath, packedPath string) (err error) {
	image, err := os.Open(imagePath)
	if err != nil {
		return err
	}
	defer image.Close()
	packed, err := os.Create(packedPath)
	if err != nil {
		return err
	}
	defer func() {
		if closing := packed.Close(); err == nil {
			err = closing
		}
	}()
	writer, err := xz.WriterConfig{DictCap: 1 << 20}.NewWriter(packed)
	if err != nil {
		return err
	}
	if _, err := io.Copy(writer, image); err != nil {
		return err
	}
	return writer.Close()
}
