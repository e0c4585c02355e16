package partition_test

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"cardwright/partition"
)

// A medium with one partition is inspected, and a damaged place on it is named.
func ExampleInspect() {
	medium := make([]byte, 16<<20)
	first := medium[446:] // the first entry of an MBR
	first[4] = 0x83
	binary.LittleEndian.PutUint32(first[8:], 8192)
	binary.LittleEndian.PutUint32(first[12:], 16384)
	medium[510], medium[511] = 0x55, 0xAA

	table, err := partition.Inspect(bytes.NewReader(medium), int64(len(medium)), 512)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range table.Partitions {
		fmt.Println(table.Kind, p.Number, p.StartLBA, p.Sectors, p.Type)
	}
	fmt.Println(table.Locate(9<<20, 4096))
	// Output:
	// mbr 1 8192 16384 83
	// partition 1
}
