package xz_test

import (
	"bytes"
	"errors"
	"io"
	"math"
	"runtime"
	"strings"
	"testing"

	"cardwright/flash/source/xz"
)

// TestBlocksOfAllKindsStayInTheirBounds looks again and again at what is held while blocks of different kinds follow each
// other. What one kind took must not be kept beside what another needs.
func TestBlocksOfAllKindsStayInTheirBounds(t *testing.T) {
	const boundBytes, sparedBytes = 64 << 20, 4 << 20
	zeros, chunkBytes := zeroChunk(t)
	again := withoutProperties(0xa0|zeros[0]&0x1f, zeros)
	packed := func(chunks int) (data []byte, decodedBytes int64) {
		return append(append(bytes.Clone(zeros), bytes.Repeat(again, chunks-1)...), 0), int64(chunks * chunkBytes)
	}
	stored := append(bytes.Repeat([]byte("\x01\xff\xff"+strings.Repeat("node", 1<<14)), 240), 0)
	largeAsPacked := sizedFile(stored, 240<<16)
	largeAsDecoded := sizedFile(packed(15))
	data, decodedBytes := packed(5)
	ofThreeFilters := sizedFileOf(3, []byte{3, 1, 0, 3, 1, 0, 3, 1, 0, 0x21, 1, 8}, data, decodedBytes) // delta, each
	data, decodedBytes = packed(30)
	ofUnknownSize := file([]byte{0, 0x21, 1, 26}, data, decodedBytes) // with 32 MiB of dictionary

	for name, files := range map[string][][]byte{
		"large as packed, then as decoded": {largeAsPacked, largeAsPacked, largeAsDecoded, largeAsDecoded},
		"large as decoded, then as packed": {largeAsDecoded, largeAsDecoded, largeAsPacked, largeAsPacked},
		"side by side, then alone":         {largeAsDecoded, largeAsDecoded, ofUnknownSize},
		"alone, then side by side":         {ofUnknownSize, largeAsDecoded, largeAsDecoded},
		"with filters":                     {ofThreeFilters, ofThreeFilters, ofThreeFilters, ofThreeFilters, ofThreeFilters},
	} {
		t.Run(name, func(t *testing.T) {
			most := mostHeld(t, bytes.Join(files, nil), xz.Options{Workers: 2, MemoryBytes: boundBytes})
			if most > boundBytes+sparedBytes || most < boundBytes/4 {
				t.Errorf("up to %d bytes are held", most)
			}
		})
	}
}

// TestManySmallBlocksStayInTheirBounds has so many at work that what each takes beside its bytes counts.
func TestManySmallBlocksStayInTheirBounds(t *testing.T) {
	const boundBytes, sparedBytes = 16 << 20, 4 << 20
	stored := func(chunks int) []byte {
		data := bytes.Repeat([]byte("\x01\xff\xff"+strings.Repeat("node", 1<<14)), chunks)
		return sizedFile(append(data, 0), int64(chunks)<<16)
	}
	for name, packed := range map[string][]byte{
		"of 64 KiB":           bytes.Repeat(stored(1), 400),
		"of 128 KiB":          bytes.Repeat(stored(2), 200),
		"of 704 KiB, then 64": append(bytes.Repeat(stored(11), 20), bytes.Repeat(stored(1), 300)...),
	} {
		if most := mostHeld(t, packed, xz.Options{Workers: 64, MemoryBytes: boundBytes}); most > boundBytes+sparedBytes {
			t.Errorf("%s: up to %d bytes are held", name, most)
		}
	}
}

// mostHeld decodes, and looks at what is held after each 1 MiB.
func mostHeld(t *testing.T, packed []byte, options xz.Options) (most int64) {
	t.Helper()
	before := heapBytes()
	r := xz.NewReader(bytes.NewReader(packed), options)
	for {
		_, err := io.CopyN(io.Discard, struct{ io.Reader }{r}, 1<<20)
		if errors.Is(err, io.EOF) {
			return most
		}
		if err != nil {
			t.Fatal(err)
		}
		most = max(most, heapBytes()-before)
	}
}

// heapBytes is what is in use: the least of some readings, since the collector counts what a worker gives up while it looks.
// Nothing is given up for lack of a reader meanwhile, so that what is truly held is in each of them.
func heapBytes() int64 {
	least := int64(math.MaxInt64)
	for range 3 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		least = min(least, int64(m.HeapAlloc))
	}
	return least
}

func TestPlanOfManyStreamsTakesLittleMemory(t *testing.T) {
	const streams = 2000
	many := bytes.Repeat(sizedFile([]byte("\x01\x00\x03card\x00"), 4), streams)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	plan, err := xz.ReadPlan(bytes.NewReader(many), int64(len(many)))
	runtime.ReadMemStats(&after)
	if err != nil || plan.Streams != streams || plan.DecodedBytes != 4*streams {
		t.Fatal(plan.Streams, plan.DecodedBytes, err)
	}
	if perStream := (after.TotalAlloc - before.TotalAlloc) / streams; perStream > 16<<10 {
		t.Errorf("%d bytes per stream", perStream)
	}
}

// TestPlanOfEmptyStreamsHoldsNothing looks at what is held when the plan comes to a file's start.
func TestPlanOfEmptyStreamsHoldsNothing(t *testing.T) {
	const streams, sparedBytes = 300_000, 1 << 20
	empty := readFixture(t, "streams.xz")[1972:2004] // by `xz -lvv`
	many := bytes.NewReader(bytes.Repeat(empty, streams))
	before, held := heapBytes(), int64(0)
	plan, err := xz.ReadPlan(readerAtFunc(func(p []byte, offset int64) (int, error) {
		if offset == 0 {
			held = heapBytes() - before
		}
		return many.ReadAt(p, offset)
	}), many.Size())
	if err != nil || plan.Streams != streams || len(plan.Blocks) != 0 {
		t.Fatal(plan.Streams, len(plan.Blocks), err)
	}
	if held > sparedBytes {
		t.Errorf("%d bytes are held", held)
	}
}

type readerAtFunc func(p []byte, offset int64) (int, error)

func (f readerAtFunc) ReadAt(p []byte, offset int64) (int, error) { return f(p, offset) }
