package xz_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/iotest"

	"cardwright/flash/source/xz"
)

// What the fixtures decode to, as `xz -dc FILE | sha256sum` of xz 5.4.1 told.
const (
	codeSHA256  = "88df90a5193ce06f2909cfb13097a551f854d98c66fbfead9c6cf77c6b2f9b1d"
	smallSHA256 = "998f4b11fefe774cc8bea60d2c8c30b5e4f23c4e9f4f662a45e4cc0b46a57a2a"
	twiceSHA256 = "ae90e6bf6dd4d09458857f5cf5485ab135404e440b340570786f7cb1d565d29a"
)

var fixtures = map[string]string{
	"x86.xz": codeSHA256, "powerpc.xz": codeSHA256, "ia64.xz": codeSHA256, "arm.xz": codeSHA256, "armthumb.xz": codeSHA256,
	"arm64.xz": codeSHA256, "sparc.xz": codeSHA256, "chain.xz": codeSHA256, "delta.xz": codeSHA256,
	"none.xz": smallSHA256, "blocks.xz": smallSHA256, "streams.xz": twiceSHA256,
}

func readFixture(tb testing.TB, name string) []byte {
	tb.Helper()
	packed, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		tb.Fatal(err)
	}
	return packed
}

// outcome is what decoding gave.
type outcome struct {
	content  string
	err      error
	consumed int64
}

func decode(source io.Reader, options xz.Options) outcome {
	r := xz.NewReader(source, options)
	content, err := io.ReadAll(r)
	got := outcome{string(content), err, r.ConsumedBytes()}
	if err := r.Close(); err != nil {
		got.err = err
	}
	return got
}

// ways are all the ways in which a file can be decoded; their outcome must be the same.
func ways(packed []byte) map[string]func() outcome {
	plan, err := xz.ReadPlan(bytes.NewReader(packed), int64(len(packed)))
	if err != nil {
		plan.Blocks = nil
	}
	plain := func() io.Reader { return bytes.NewReader(packed) }
	return map[string]func() outcome{
		"alone":   func() outcome { return decode(plain(), xz.Options{Workers: 1}) },
		"two":     func() outcome { return decode(plain(), xz.Options{Workers: 2}) },
		"planned": func() outcome { return decode(plain(), xz.Options{Workers: 3, Plan: plan.Blocks}) },
		"scarce": func() outcome {
			return decode(plain(), xz.Options{Workers: 4, Plan: plan.Blocks, MemoryBytes: 560_000})
		},
		"bytewise": func() outcome { return decode(iotest.OneByteReader(plain()), xz.Options{Workers: 2}) },
		"data errors": func() outcome {
			return decode(iotest.DataErrReader(plain()), xz.Options{Workers: 2, Plan: plan.Blocks})
		},
		"wrong plan": func() outcome {
			var wrong []xz.PlannedBlock
			for i, b := range plan.Blocks {
				b.UnpaddedBytes += int64(i%3-1) * 8
				b.DecodedBytes += int64(i%2) * 5
				wrong = append(wrong, b)
			}
			return decode(plain(), xz.Options{Workers: 2, Plan: wrong})
		},
		"plan too long": func() outcome { // an end within the planned bytes must be noticed too
			var wrong []xz.PlannedBlock
			for _, b := range plan.Blocks {
				b.UnpaddedBytes += 8
				wrong = append(wrong, b)
			}
			return decode(plain(), xz.Options{Workers: 2, Plan: wrong})
		},
		"written": func() outcome {
			var content bytes.Buffer
			r := xz.NewReader(plain(), xz.Options{Workers: 1})
			_, err := r.WriteTo(&content)
			if err == nil {
				err = r.Close()
			}
			return outcome{content.String(), err, r.ConsumedBytes()}
		},
	}
}

// sameInEveryWay decodes in every way, or in those that are named, and gives the one outcome.
func sameInEveryWay(tb testing.TB, packed []byte, names ...string) outcome {
	tb.Helper()
	all := ways(packed)
	want := all["alone"]()
	if len(names) == 0 {
		names = slices.Collect(maps.Keys(all))
	}
	for _, name := range names {
		got := all[name]()
		if got.content != want.content || !sameError(got.err, want.err) {
			tb.Fatalf("%s: %d bytes, %v; alone: %d bytes, %v", name, len(got.content), got.err, len(want.content), want.err)
		}
		if want.err == nil && got.consumed != int64(len(packed)) {
			tb.Fatalf("%s: consumed %d of %d bytes", name, got.consumed, len(packed))
		}
	}
	return want
}

// sameError compares places and kinds.
func sameError(a, b error) bool {
	var x, y *xz.Error
	if errors.As(a, &x) != errors.As(b, &y) || x != nil && x.OffsetBytes != y.OffsetBytes {
		return false
	}
	for _, kind := range []error{xz.ErrTruncated, xz.ErrTrailing, xz.ErrMalformed, xz.ErrChecksum, xz.ErrUnsupported, xz.ErrDictionary} {
		if errors.Is(a, kind) != errors.Is(b, kind) {
			return false
		}
	}
	return (a == nil) == (b == nil)
}

func TestFixturesDecodeToWhatXZGives(t *testing.T) {
	for name, want := range fixtures {
		got := sameInEveryWay(t, readFixture(t, name))
		sum := sha256.Sum256([]byte(got.content))
		if got.err != nil || hex.EncodeToString(sum[:]) != want {
			t.Errorf("%s: %d bytes, SHA-256 %x, %v", name, len(got.content), sum, got.err)
		}
	}
}

func TestEveryTruncationIsAnErrorAndGivesAPrefix(t *testing.T) {
	// By `xz -lvv`: streams.xz may be cut where its first stream ends, at padding, and where its empty stream ends.
	sound := map[string][]int{"streams.xz": {1964, 1968, 1972, 2004}}
	for _, name := range []string{"none.xz", "blocks.xz", "streams.xz"} {
		packed := readFixture(t, name)
		whole := decode(bytes.NewReader(packed), xz.Options{}).content
		for length := 0; length < len(packed); length += everyNth() {
			got := sameInEveryWay(t, packed[:length], "two", "planned")
			if whole[:len(got.content)] != got.content {
				t.Fatalf("%s cut to %d bytes gives other bytes", name, length)
			}
			if slices.Contains(sound[name], length) != (got.err == nil) {
				t.Errorf("%s cut to %d bytes: %v", name, length, got.err)
			}
			if got.err != nil && !errors.Is(got.err, xz.ErrTruncated) && !errors.Is(got.err, xz.ErrTrailing) {
				t.Errorf("%s cut to %d bytes: %v", name, length, got.err)
			}
		}
	}
}

// everyNth is how many places of a file a test goes on at once: in a short run it tries some of them.
func everyNth() int {
	n := 1
	if testing.Short() {
		n = 7
	}
	return n
}

func TestEveryChangedByteIsFoundOrHarmless(t *testing.T) {
	for name, way := range map[string]string{"blocks.xz": "two", "streams.xz": "planned"} {
		packed := readFixture(t, name)
		whole := decode(bytes.NewReader(packed), xz.Options{}).content
		for at := 0; at < len(packed); at += everyNth() {
			for _, flip := range []byte{0x01, 0xff} {
				damaged := bytes.Clone(packed)
				damaged[at] ^= flip
				if got := sameInEveryWay(t, damaged, way); got.err == nil && got.content != whole {
					t.Errorf("%s with byte %d changed by %#x decodes to other bytes", name, at, flip)
				}
			}
		}
	}
}

func TestTrailingBytesAreRefused(t *testing.T) {
	packed := readFixture(t, "blocks.xz")
	for _, tail := range []string{"\x00", "\x00\x00\x00", "\x00\x00\x00\x00\x00", "x", "PK\x03\x04PK\x03\x04"} {
		got := sameInEveryWay(t, append(bytes.Clone(packed), tail...))
		if !errors.Is(got.err, xz.ErrTrailing) || len(got.content) != 3000 {
			t.Errorf("%q behind a file: %d bytes, %v", tail, len(got.content), got.err)
		}
	}
	if got := sameInEveryWay(t, append(bytes.Clone(packed), 0, 0, 0, 0)); got.err != nil {
		t.Errorf("padding behind a file: %v", got.err)
	}
}

func TestReaderKeepsToTheRulesOfReaders(t *testing.T) {
	want := readFixture(t, "code.bin")
	for _, workers := range []int{1, 2} {
		r := xz.NewReader(bytes.NewReader(readFixture(t, "chain.xz")), xz.Options{Workers: workers})
		if err := iotest.TestReader(r, want); err != nil {
			t.Error(err)
		}
	}
}

// invented has stretches that pack well, stretches that do not, and repeats from far back.
func invented(lengthBytes int, seed uint64) []byte {
	random := rand.New(rand.NewPCG(seed, 1))
	content := make([]byte, 0, lengthBytes+1<<16)
	for len(content) < lengthBytes {
		stretch := make([]byte, 1+random.IntN(1<<(4+random.IntN(13))))
		switch random.IntN(4) {
		case 0:
			for i := range stretch {
				stretch[i] = byte(random.Uint32())
			}
		case 1:
			for i := range stretch {
				stretch[i] = "a node, a card, a block and a run "[random.IntN(1+i%34)]
			}
		case 2:
			if len(content) > len(stretch) {
				copy(stretch, content[random.IntN(len(content)-len(stretch)):])
			}
		}
		content = append(content, stretch...)
	}
	return content[:lengthBytes]
}
