package partition_test

import (
	"bytes"
	"fmt"

	"cardwright/partition"
)

// A medium is inspected, and a damaged place on it is named.
func ExampleInspect() {
	medium := make([]byte, 16<<20)
	putMBR(medium, 0x5EEDCA4D, entry{0x80, 0x0C, 8192, 8192}, entry{0, 0x83, 16384, 16384})

	table, err := partition.Inspect(bytes.NewReader(medium), int64(len(medium)), 512)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(table.Kind, table.ID)
	for _, p := range table.Partitions {
		fmt.Println(p.Number, p.StartLBA, p.Sectors, p.Type)
	}
	fmt.Println(table.Locate(9<<20, 4096))
	// Output:
	// mbr 5eedca4d
	// 1 8192 8192 0c
	// 2 16384 16384 83
	// partition 2
}
