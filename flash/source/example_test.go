package source_test

import (
	"context"
	"fmt"
	"io"
	"log"

	"cardwright/flash/source"
)

func ExampleOpen() {
	image, err := source.Open(context.Background(), "testdata/check-sha256.xz", source.Options{})
	if err != nil {
		log.Fatal(err)
	}
	defer image.Close()
	if _, err := io.Copy(io.Discard, image); err != nil {
		log.Fatal(err)
	}
	facts := image.Facts()
	fmt.Println(facts.Format, facts.ImageBytes, facts.ImageSHA256[:16], facts.Expected)
	// Output: xz 1492 079c7f8c11c1f937 absent
}
