package flash_test

import (
	"bytes"
	"errors"
	"io"
	"slices"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// A comparedImage says of itself that it was compared with a manifest.
type comparedImage struct {
	io.Reader
	manifest *flash.Manifest
}

func (c comparedImage) Manifest() *flash.Manifest { return c.manifest }

// Cards are held against the manifest that the image was compared with, and not against what is in memory by now: an image that
// changed on its way, as this one whose manifest is another's, is not taken for right.
func TestCardsAreHeldAgainstTheManifestOfAComparedImage(t *testing.T) {
	image, meant := randomImage(2*flash.BlockBytes+700, 5), &flash.Manifest{}
	for at := 0; at < len(image); at += flash.BlockBytes {
		block := bytes.Clone(image[at:min(len(image), at+flash.BlockBytes)])
		block[len(block)-1] ^= 1
		meant.Append(block)
	}
	pump, outcomes, err := writeAll(t.Context(), comparedImage{bytes.NewReader(image), meant}, flash.Judge{}, newCard(t, cardlab.Traits{SizeBytes: 32 * mib}))
	if err != nil || outcomes[0].err != nil {
		t.Fatal(err, outcomes[0].err)
	}
	m := pump.Manifest()
	if m == meant || m.ImageBytes != int64(len(image)) || !slices.Equal(m.Blocks, meant.Blocks) {
		t.Errorf("%+v, want the digests of %+v", m, meant)
	}
}

// An image that is longer or shorter than its manifest is none, wherever the difference lies.
func TestComparedImageOfAnotherLengthThanItsManifestIsNone(t *testing.T) {
	image := randomImage(3*flash.BlockBytes, 6)
	for _, lengthBytes := range []int{
		1, flash.BlockBytes, 2*flash.BlockBytes + 1, 3*flash.BlockBytes - 1, 3*flash.BlockBytes + 1, 5 * flash.BlockBytes,
	} {
		other, meant := randomImage(lengthBytes, 6), &flash.Manifest{}
		for at := 0; at < lengthBytes; at += flash.BlockBytes {
			meant.Append(other[at:min(lengthBytes, at+flash.BlockBytes)])
		}
		_, outcomes, err := writeAll(t.Context(), comparedImage{bytes.NewReader(image), meant}, flash.Judge{}, newCard(t, cardlab.Traits{SizeBytes: 32 * mib}))
		if !errors.Is(err, flash.ErrOtherLength) || !errors.Is(outcomes[0].err, flash.ErrOtherLength) {
			t.Errorf("a manifest of %d bytes: %v, %v", lengthBytes, err, outcomes[0].err)
		}
	}
}
