package identity_test

import (
	"fmt"
	"testing/fstest"

	"cardwright/internal/identity"
)

// A card's registers are read from a folder, here one in memory, and told. On Linux the folder is os.DirFS of
// /sys/block/mmcblk0/device.
func ExampleReadFolder() {
	folder := fstest.MapFS{
		"type": {Data: []byte("SD\n")},
		"cid":  {Data: []byte("7f5a5a54455354316212345678001491\n")},
		"csd":  {Data: []byte("400e00325b590000ffff7f800a400003\n")},
	}
	raw, err := identity.ReadFolder(folder)
	if err != nil {
		fmt.Println(err)
		return
	}
	card := identity.Decode(raw)
	fmt.Println(card.Kind, card.CID.Name, card.CID.Serial, card.CID.Manufactured)
	fmt.Println(card.CSD.CapacityBytes)
	for _, f := range card.CID.Fields[:3] {
		fmt.Println(f.Name, f.Bits, f.Raw, f.Meaning)
	}
	// Output:
	// sd TEST1 0x12345678 2001-04
	// 34359738368
	// MID 127:120 0x7f maker 0x7f
	// OID 119:104 0x5a5a "ZZ"
	// PNM 103:64 0x5445535431 "TEST1"
}
