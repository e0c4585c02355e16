package xz_test

import (
	"bytes"
	"errors"
	"io"
	"testing"

	ulikunitz "github.com/ulikunitz/xz"

	"cardwright/flash/source/xz"
)

// mostFuzzed keeps a file that decodes to very much from taking all the time.
const mostFuzzed = 16 << 20

// Whatever the bytes are, every way of decoding gives the same, in bounded memory.
func FuzzReader(f *testing.F) {
	for name := range fixtures {
		f.Add(readFixture(f, name))
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, packed []byte) {
		options := xz.Options{Workers: 1, MaxDictionaryBytes: 1 << 20}
		n, _ := io.Copy(io.Discard, io.LimitReader(xz.NewReader(bytes.NewReader(packed), options), mostFuzzed))
		if n < mostFuzzed {
			sameInEveryWay(t, packed, "two", "planned", "wrong plan")
		}
	})
}

// What another library finds sound decodes to the same bytes, or is refused for what that library does not look at.
func FuzzAgainstAnotherLibrary(f *testing.F) {
	for _, name := range []string{"none.xz", "blocks.xz", "streams.xz"} {
		f.Add(readFixture(f, name))
	}
	f.Fuzz(func(t *testing.T, packed []byte) {
		other, err := ulikunitz.ReaderConfig{DictCap: 1 << 20}.NewReader(bytes.NewReader(packed))
		if err != nil {
			return
		}
		want, err := io.ReadAll(io.LimitReader(other, mostFuzzed))
		if err != nil || len(want) == mostFuzzed {
			return
		}
		got := decode(bytes.NewReader(packed), xz.Options{})
		if got.err == nil && got.content != string(want) {
			t.Errorf("got %d bytes, want %d", len(got.content), len(want))
		}
	})
}

// What was packed comes back.
func FuzzRoundTrip(f *testing.F) {
	f.Add([]byte("a node, a card, a block and a run"), uint16(3))
	f.Add(invented(5000, 1), uint16(40))
	f.Fuzz(func(t *testing.T, content []byte, times uint16) {
		content = bytes.Repeat(content, min(int(times), 1+(1<<18)/(1+len(content))))
		var packed bytes.Buffer
		pack(t, &packed, content)
		if got := decode(&packed, xz.Options{}); got.err != nil || got.content != string(content) {
			t.Errorf("%d bytes of %d, %v", len(got.content), len(content), got.err)
		}
	})
}

// A header may promise what the file does not hold; memory is taken for what comes.
func TestPromisesTakeNoMemory(t *testing.T) {
	data := []byte("\x01\x00\x03card")
	promise := []byte{0xc0, 0x80, 0x80, 0x80, 0x30, 0x80, 0x80, 0x80, 0x38, 0x21, 1, 30} // 96 MiB for 112 MiB, with 128 MiB
	packed := file(promise, data, 4)
	for _, workers := range []int{1, 2} {
		var got outcome
		perRun := testing.Benchmark(func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				got = decode(bytes.NewReader(packed), xz.Options{Workers: workers, MemoryBytes: 1 << 30})
			}
		}).AllocedBytesPerOp()
		if !errors.Is(got.err, xz.ErrMalformed) || perRun > 4<<20 {
			t.Errorf("%d workers: %d bytes taken, %v", workers, perRun, got.err)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	content := invented(8<<20, 1)
	var packed bytes.Buffer
	pack(b, &packed, content)
	for name, workers := range map[string]int{"alone": 1, "planned": 0} {
		b.Run(name, func(b *testing.B) {
			plan, err := xz.ReadPlan(bytes.NewReader(packed.Bytes()), int64(packed.Len()))
			if err != nil {
				b.Fatal(err)
			}
			b.SetBytes(int64(len(content)))
			for b.Loop() {
				r := xz.NewReader(bytes.NewReader(packed.Bytes()), xz.Options{Workers: workers, Plan: plan.Blocks})
				if _, err := io.Copy(io.Discard, r); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
