package partition_test

import (
	"math"
	"testing"

	"cardwright/partition"
)

func TestLocateNamesEveryPlaceOfARange(t *testing.T) {
	board := &partition.Table{Kind: partition.SchemeMBR, SectorBytes: 512, SizeBytes: 32 * mib, Partitions: []partition.Partition{
		{Number: 1, StartLBA: 8192, Sectors: 8192, Type: "0c", FileSystem: &partition.FileSystem{Kind: "fat32", Label: "BOOTFS"}},
		{Number: 2, StartLBA: 16384, Sectors: 8192, Type: "83", FileSystem: &partition.FileSystem{Kind: "ext4", Label: "rootfs"}},
		{Number: 3, StartLBA: 32768, Sectors: 8192, Type: "0f"},
		{Number: 5, StartLBA: 34816, Sectors: 2048, Type: "da"},
	}}
	named := &partition.Table{Kind: partition.SchemeGPT, SectorBytes: 4096, Partitions: []partition.Partition{
		{Number: 1, StartLBA: 1024, Sectors: 1, Name: "da\x1bta"},
		{Number: 2, StartLBA: 1 << 63, Sectors: 1 << 63},
	}}
	bare := &partition.Table{Kind: partition.SchemeNone, SectorBytes: 512, FileSystem: &partition.FileSystem{Kind: "ext4", Label: "x", SizeBytes: mib}}
	blank := &partition.Table{Kind: partition.SchemeNone, SectorBytes: 512}
	for _, c := range []struct {
		table          *partition.Table
		offset, length int64
		want           string
	}{
		{board, 0, 4 * mib, "before the first partition (partition table)"},
		{board, 4*mib - 1, 1, "before the first partition (partition table)"},
		{board, 4*mib - 1, 2, "before the first partition (partition table), partition 1 (fat32 BOOTFS)"},
		{board, 4 * mib, 4 * mib, "partition 1 (fat32 BOOTFS)"},
		{board, 8 * mib, 1, "partition 2 (ext4 rootfs)"},
		{board, 8*mib - 1, 2, "partition 1 (fat32 BOOTFS), partition 2 (ext4 rootfs)"},
		{board, 12 * mib, mib, "outside any partition"},
		{board, 16 * mib, 512, "partition 3 (extended)"},
		{board, 17 * mib, 512, "partition 5"},
		{board, 18*mib - 1, 2 * mib, "partition 5, partition 3 (extended)"},
		{board, 0, math.MaxInt64, "before the first partition (partition table), partition 1 (fat32 BOOTFS), " +
			"partition 2 (ext4 rootfs), outside any partition, partition 3 (extended), partition 5"},
		{board, 1 << 62, 1 << 62, "outside any partition"},
		{board, 4 * mib, 0, ""},
		{board, -1, 5, ""},
		{named, 4 * mib, 4096, "partition 1 (da?ta)"},
		{bare, 0, 4096, "file system (ext4 x)"},
		{bare, mib - 1, 2, "file system (ext4 x), outside any partition"},
		{blank, 0, 4096, "outside any partition"},
	} {
		if got := c.table.Locate(c.offset, c.length); got != c.want {
			t.Errorf("Locate(%d, %d) = %q, want %q", c.offset, c.length, got, c.want)
		}
	}
}
