package registers_test

import (
	"fmt"

	"cardwright/internal/cardlab/registers"
)

// A sound card, and the same with a serial number that no factory gives.
func Example() {
	sound, err := registers.Sample("sdxc")
	if err != nil {
		fmt.Println(err)
		return
	}
	lying, err := registers.Forge(sound, "serial-zero")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Print(sound.Folder()["cid"], lying.Folder()["cid"], lying.Folder()["serial"])
	// Output:
	// 7f5a5a544553544312d41b3f860125e1
	// 7f5a5a54455354431200000000012597
	// 0x00000000
}
