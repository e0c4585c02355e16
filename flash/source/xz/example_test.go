package xz_test

import (
	"encoding/hex"
	"fmt"
	"io"
	"strings"

	"cardwright/flash/source/xz"
)

func ExampleNewReader() {
	// The output of: printf card | xz --check=crc32
	packed, err := hex.DecodeString(examplePacked)
	if err != nil {
		fmt.Println(err)
		return
	}
	r := xz.NewReader(strings.NewReader(string(packed)), xz.Options{})
	content, err := io.ReadAll(r)
	fmt.Println(string(content), err, r.ConsumedBytes() == int64(len(packed)))
	// Output: card <nil> true
}

const examplePacked = "fd377a585a0000016922de360200210116000000742fe5a30100036361726400d3981416000118046be9f0a59042990d010000000001595a"
