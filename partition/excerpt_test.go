package partition_test

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

const blockBytes = 4 * mib

// streamPast shows an image to an excerpt, block by block.
func streamPast(image []byte) *partition.Excerpt {
	excerpt := partition.NewExcerpt(image[:min(len(image), blockBytes)])
	for at := 0; at < len(image); at += blockBytes {
		block := bytes.Clone(image[at:min(at+blockBytes, len(image))])
		excerpt.Observe(int64(at), block)
		clear(block) // the caller uses its buffer again
	}
	return excerpt
}

// excerptImages are images whose tables need more than their head.
func excerptImages(t *testing.T) map[string][]byte {
	gpt := twoParts(512)
	gpt.parts[0].first, gpt.parts[0].last = 8192+100, 8192+100+2047
	guid := withFileSystem(t, withFileSystem(t, gpt.write(), 8192+100, "fat12"), 16384, "ntfs")
	chain := extendedAt(map[int][]entry{8192: {{0, 0x83, 8192 - 16, 16}, {0, 0x05, 16384, 16384}}, 24576: {{0, 0x83, 64, 8192}}})
	putMBR(chain, 7, entry{0, 0x0F, 8192, 24576})
	return map[string][]byte{
		"gpt":  guid,
		"ebr":  withFileSystem(t, chain, 24576+64, "ext4"),
		"fat":  withFileSystem(t, mbrMedium(48, entry{0, 0x0C, 8192, 81920}), 8192, "fat32"),
		"bare": withFileSystem(t, make([]byte, 40*mib), 0, "fat32"),
	}
}

func TestExcerptGivesTheSameTableAsTheImage(t *testing.T) {
	for name, image := range excerptImages(t) {
		t.Run(name, func(t *testing.T) {
			want := inspect(t, image)
			got, err := partition.Inspect(streamPast(image).View(nil), int64(len(image)), 512)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// The card was altered after the image went by: the table must still be the image's.
func TestExcerptIsNotReadFromBehind(t *testing.T) {
	for name, image := range excerptImages(t) {
		card := bytes.Repeat([]byte{0xFF}, len(image))
		got, err := partition.Inspect(streamPast(image).View(bytes.NewReader(card)), int64(len(image)), 512)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(inspect(t, image).Partitions, got.Partitions); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

// With the primary GPT gone nothing points to the backup but the image's length.
func TestExcerptKeepsTheEndWhereTheSizeIsExpected(t *testing.T) {
	image := twoParts(512).write()
	clear(image[:1024])
	putMBR(image, 0, entry{0, 0xEE, 1, 1})
	excerpt := partition.NewExcerpt(image[:blockBytes])
	excerpt.ExpectSize(int64(len(image)))
	for at := blockBytes; at < len(image); at += blockBytes {
		excerpt.Observe(int64(at), image[at:at+blockBytes])
	}
	table, err := partition.Inspect(excerpt.View(nil), int64(len(image)), 512)
	if err != nil {
		t.Fatal(err)
	}
	wantTable(t, table, 512)
}

func TestExcerptFillsUpFromBehind(t *testing.T) {
	image := excerptImages(t)["ebr"]
	excerpt := partition.NewExcerpt(image[:512]) // nothing was observed
	table, err := partition.Inspect(excerpt.View(bytes.NewReader(image)), int64(len(image)), 512)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(inspect(t, image), table); diff != "" {
		t.Error(diff)
	}
}

func TestExcerptPassesOnAFailedRead(t *testing.T) {
	excerpt := partition.NewExcerpt(nil)
	_, err := partition.Inspect(excerpt.View(brokenMedium{}), mib, 512)
	var failed *partition.ReadError
	if !errors.As(err, &failed) || failed.OffsetBytes != 0 || !errors.Is(err, errBroken) {
		t.Errorf("%v", err)
	}
}

func TestShortHeadsAndOddBlocksAreTolerated(t *testing.T) {
	excerpt := partition.NewExcerpt([]byte{1, 2, 3})
	excerpt.Observe(-4, make([]byte, 8))
	excerpt.Observe(1<<63-4, make([]byte, 8))
	excerpt.ExpectSize(1)
	excerpt.Observe(3, nil)
	b := make([]byte, 8)
	if n, err := excerpt.View(nil).ReadAt(b, 0); n != 8 || err != nil || !bytes.Equal(b, []byte{1, 2, 3, 0, 0, 0, 0, 0}) {
		t.Errorf("%d, %v, %v", n, err, b)
	}
}

// 8192 partitions that each want their first bytes must not make an excerpt grow beyond its bound.
func TestExcerptStaysBounded(t *testing.T) {
	g := gptLayout{sectorBytes: 512, sectors: 100 * mib / 512, count: 8192}
	for i := range uint64(380) {
		g.parts = append(g.parts, gptPart{linuxData, diskGUID, "", 8192 + i*512, 8192 + i*512 + 511, 0})
	}
	image := g.write()
	for i := blockBytes; i < len(image)-8192*128-512; i++ {
		image[i] = 0xA5
	}
	excerpt := streamPast(image)
	kept, b := 0, make([]byte, 512)
	for at := int64(blockBytes); at < int64(len(image)); at += 512 {
		if _, err := excerpt.View(nil).ReadAt(b, at); err != nil {
			t.Fatal(err)
		}
		if b[0] == 0xA5 {
			kept += 512
		}
	}
	if kept == 0 || kept > 16*mib {
		t.Errorf("%d bytes kept", kept)
	}
}

var errBroken = errors.New("broken medium")

type brokenMedium struct{}

func (brokenMedium) ReadAt([]byte, int64) (int, error) { return 0, errBroken }

var _ io.ReaderAt = brokenMedium{}
