package capacity_test

import (
	"context"
	"fmt"
	"os"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// A card says that it holds 96 MiB, and wraps round at 64.
func ExampleQuick() {
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 96 << 20, TrueSizeBytes: 64 << 20, Beyond: cardlab.Wrap})
	if err != nil {
		fmt.Println(err)
		return
	}
	folder, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(folder)
	result, err := capacity.Quick(context.Background(), card, capacity.Options{
		Folder: folder, Card: capacity.Mark{SizeBytes: card.SizeBytes()},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s: %d of %d MiB, what it held is back: %v\n",
		result.Verdict, *result.TrueBytes>>20, result.ClaimedBytes>>20, *result.Restored)
	// Output: short: 64 of 96 MiB, what it held is back: true
}
