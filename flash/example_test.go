package flash_test

import (
	"context"
	"fmt"
	"strings"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// One card, one image: the body first, and the head once the body was proven.
func Example() {
	image := strings.Repeat("frost alarm ", 1<<20) // 12 MiB, stands for a decoded image
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 64 << 20})
	if err != nil {
		fmt.Println(err)
		return
	}
	meter := &flash.Meter{}
	pump := flash.NewPump(flash.NewPool(6))
	feed := pump.Feed(meter)
	writer := flash.NewWriter(card, meter, flash.Judge{})

	go func() { _ = pump.Run(context.Background(), strings.NewReader(image)) }() // the feed tells its outcome
	if err := feed.AwaitHead(context.Background()); err != nil {
		fmt.Println(err)
		return
	}
	if err := writer.Clear(); err != nil {
		fmt.Println(err)
		return
	}
	if err := writer.WriteBody(context.Background(), feed); err != nil {
		fmt.Println(err)
		return
	}
	// Here package verify reads the body back.
	if err := writer.WriteHead(context.Background(), pump.Head()); err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(meter.Look().WrittenBytes, "bytes in", len(pump.Manifest().Blocks), "blocks")
	// Output: 12582912 bytes in 3 blocks
}
