package xz_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	ulikunitz "github.com/ulikunitz/xz"
	"github.com/ulikunitz/xz/lzma"

	"cardwright/flash/source/xz"
)

// file is a stream without check and of one block, made of header fields and LZMA2 data, with the decoded size it claims. It
// follows "The .xz File Format" 1.1.0, sections 2 to 4.
func file(fields, data []byte, decodedBytes int64) []byte {
	flags := []byte{0, 0}
	out := append([]byte("\xfd7zXZ\x00"), flags...)
	out = binary.LittleEndian.AppendUint32(out, crc32.ChecksumIEEE(flags))
	header := append([]byte{0}, fields...)
	header = append(header, make([]byte, -len(header)&3)...)
	header[0] = byte(len(header) / 4)
	out = append(out, binary.LittleEndian.AppendUint32(header, crc32.ChecksumIEEE(header))...)
	unpadded := len(header) + 4 + len(data)
	out = append(append(out, data...), make([]byte, -len(data)&3)...)
	index := binary.AppendUvarint(binary.AppendUvarint([]byte{0, 1}, uint64(unpadded)), uint64(decodedBytes))
	index = append(index, make([]byte, -len(index)&3)...)
	index = binary.LittleEndian.AppendUint32(index, crc32.ChecksumIEEE(index))
	foot := append(binary.LittleEndian.AppendUint32(nil, uint32(len(index)/4-1)), flags...)
	out = binary.LittleEndian.AppendUint32(append(out, index...), crc32.ChecksumIEEE(foot))
	return append(append(out, foot...), "YZ"...)
}

var plainFields = []byte{0, 0x21, 1, 8} // LZMA2 with 64 KiB of dictionary

// lzmaChunk is a chunk with everything new. Its literals look at nothing before them, so that it may stand anywhere.
func lzmaChunk(t *testing.T) []byte {
	t.Helper()
	var packed bytes.Buffer
	w, err := lzma.Writer2Config{Properties: &lzma.Properties{}}.NewWriter2(&packed)
	if err == nil {
		_, err = io.WriteString(w, strings.Repeat("node ", 50))
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()[:packed.Len()-1]
}

// zeroChunk is an LZMA2 chunk of zeros with everything new, and how many they are: a multiple of 16, so that the same chunk
// with a state reset alone goes on anywhere ("The .xz File Format" 1.1.0, 5.3.1; position bits are four at most).
func zeroChunk(t *testing.T) (chunk []byte, decodedBytes int) {
	t.Helper()
	var packed bytes.Buffer
	w, err := lzma.Writer2Config{DictCap: 1 << 16}.NewWriter2(&packed)
	if err == nil {
		_, err = w.Write(make([]byte, 4<<20))
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	chunk = packed.Bytes()
	decodedBytes = int(chunk[0]&0x1f)<<16 + int(binary.BigEndian.Uint16(chunk[1:])) + 1
	chunk = chunk[:6+int(binary.BigEndian.Uint16(chunk[3:]))+1]
	if decodedBytes%16 != 0 {
		t.Fatalf("a chunk of %d bytes", decodedBytes)
	}
	return chunk, decodedBytes
}

func control(b byte, chunk []byte) []byte { return append([]byte{b}, chunk[1:]...) }

// withoutProperties turns a chunk with properties into one without.
func withoutProperties(b byte, chunk []byte) []byte {
	return append(append([]byte{b}, chunk[1:5]...), chunk[6:]...)
}

func TestChunksMayNotBuildOnWhatIsNotThere(t *testing.T) {
	lzmaData := lzmaChunk(t)
	stored := []byte("\x01\x00\x03card")
	end := []byte{0}
	for name, c := range map[string]struct {
		data    [][]byte
		decoded int64
		want    error
	}{
		"all new":                       {[][]byte{lzmaData, end}, 250, nil},
		"stored":                        {[][]byte{stored, end}, 4, nil},
		"stored, then all new":          {[][]byte{stored, lzmaData, end}, 254, nil},
		"stored, then new properties":   {[][]byte{stored, control(0xc0, lzmaData), end}, 254, nil},
		"state reset on known":          {[][]byte{lzmaData, withoutProperties(0xa0, lzmaData), end}, 500, nil},
		"stored between":                {[][]byte{lzmaData, control(2, stored), withoutProperties(0xa0, lzmaData), end}, 504, nil},
		"nothing":                       {[][]byte{end}, 0, nil},
		"first keeps dictionary":        {[][]byte{control(0xc0, lzmaData), end}, 250, xz.ErrMalformed},
		"first keeps properties":        {[][]byte{withoutProperties(0xa0, lzmaData), end}, 250, xz.ErrMalformed},
		"first stored keeps dictionary": {[][]byte{control(2, stored), end}, 4, xz.ErrMalformed},
		"stored, then old properties":   {[][]byte{stored, withoutProperties(0xa0, lzmaData), end}, 254, xz.ErrMalformed},
		"stored, then old state":        {[][]byte{stored, withoutProperties(0x80, lzmaData), end}, 254, xz.ErrMalformed},
		"new dictionary, old state":     {[][]byte{lzmaData, stored, withoutProperties(0x80, lzmaData), end}, 504, xz.ErrMalformed},
		"control 3":                     {[][]byte{control(3, stored), end}, 4, xz.ErrMalformed},
		"control 7f":                    {[][]byte{stored, control(0x7f, stored), end}, 8, xz.ErrMalformed},
		"no end":                        {[][]byte{stored}, 4, xz.ErrMalformed},
		"index states less":             {[][]byte{stored, end}, 3, xz.ErrMalformed},
	} {
		packed := file(plainFields, bytes.Join(c.data, nil), c.decoded)
		if got := sameInEveryWay(t, packed); !errors.Is(got.err, c.want) && got.err != c.want {
			t.Errorf("%s: %v, want %v", name, got.err, c.want)
		}
	}
}

func TestHeadersKeepToTheFormat(t *testing.T) {
	data := []byte("\x01\x00\x03card\x00")
	for name, c := range map[string]struct {
		fields string
		want   error
	}{
		"plain":                      {"\x00\x21\x01\x08", nil},
		"both sizes":                 {"\xc0\x08\x04\x21\x01\x08", nil},
		"reserved flag":              {"\x04\x21\x01\x08", xz.ErrUnsupported},
		"packed size too small":      {"\x40\x07\x21\x01\x08", xz.ErrMalformed},
		"packed size too large":      {"\x40\x09\x21\x01\x08", xz.ErrMalformed},
		"packed size none":           {"\x40\x00\x21\x01\x08", xz.ErrMalformed},
		"decoded size too small":     {"\x80\x03\x21\x01\x08", xz.ErrMalformed},
		"decoded size too large":     {"\x80\x05\x21\x01\x08", xz.ErrMalformed},
		"both, decoded too large":    {"\xc0\x08\x05\x21\x01\x08", xz.ErrMalformed},
		"superfluous byte":           {"\x80\x84\x00\x21\x01\x08", xz.ErrMalformed},
		"number of ten bytes":        {"\x80\xff\xff\xff\xff\xff\xff\xff\xff\xff\x01\x21\x01\x08", xz.ErrMalformed},
		"padding not zero":           {"\x00\x21\x01\x08\x00\x01", xz.ErrMalformed},
		"dictionary of 4 GiB":        {"\x00\x21\x01\x28", xz.ErrDictionary},
		"dictionary unknown":         {"\x00\x21\x01\x29", xz.ErrUnsupported},
		"LZMA2 twice":                {"\x01\x21\x01\x08\x21\x01\x08", xz.ErrUnsupported},
		"delta last":                 {"\x00\x03\x01\x08", xz.ErrUnsupported},
		"unknown filter":             {"\x01\x0b\x00\x21\x01\x08", xz.ErrUnsupported},
		"ARM start off its step":     {"\x01\x07\x04\x01\x00\x00\x00\x21\x01\x08", xz.ErrUnsupported},
		"properties past the header": {"\x00\x21\x7f\x08", xz.ErrMalformed},
	} {
		if got := sameInEveryWay(t, file([]byte(c.fields), data, 4)); !errors.Is(got.err, c.want) && got.err != c.want {
			t.Errorf("%s: %v, want %v", name, got.err, c.want)
		}
	}
}

// TestBlocksThatGoOnBehindTheirEndAreMalformed has what a block's header states end where a chunk begins, and in a chunk's header:
// side by side, where nothing comes behind that, the file is not too short either.
func TestBlocksThatGoOnBehindTheirEndAreMalformed(t *testing.T) {
	for _, data := range []string{"\x01\x00\x04cards\x00", "\x01\x00\x02car\x02\x00\x01ds\x00"} {
		got := sameInEveryWay(t, file([]byte("\xc0\x08\x05\x21\x01\x08"), []byte(data), 5))
		if !errors.Is(got.err, xz.ErrMalformed) {
			t.Errorf("%q: %v", data, got.err)
		}
	}
}

func TestPlanIsWhatXZLists(t *testing.T) {
	packed := readFixture(t, "streams.xz")
	plan, err := xz.ReadPlan(bytes.NewReader(packed), int64(len(packed)))
	// By `xz -lvv` of xz 5.4.1.
	offsets := []int64{12, 416, 764, 1200, 1740, 2016}
	decoded := []int64{700, 700, 700, 700, 200, 3000}
	if err != nil || plan.Streams != 3 || plan.DecodedBytes != 6000 || len(plan.Blocks) != len(offsets) {
		t.Fatalf("%+v, %v", plan, err)
	}
	for i, b := range plan.Blocks {
		if b.OffsetBytes != offsets[i] || b.DecodedBytes != decoded[i] {
			t.Errorf("block %d: %+v", i, b)
		}
	}
	for length := range packed {
		plan, err := xz.ReadPlan(bytes.NewReader(packed[:length]), int64(length))
		if alone := decode(bytes.NewReader(packed[:length]), xz.Options{}); alone.err == nil &&
			(err != nil || plan.DecodedBytes != int64(len(alone.content))) {
			t.Errorf("cut to %d bytes: %+v, %v", length, plan, err)
		}
	}
}

func TestFailureOfTheSourceComesOnceAndStays(t *testing.T) {
	broken := errors.New("the wire broke")
	packed, whole := readFixture(t, "blocks.xz"), readFixture(t, "small.bin")
	for _, workers := range []int{1, 3} {
		for length := 0; length < len(packed); length += 7 {
			reads := 0
			source := io.MultiReader(bytes.NewReader(packed[:length]), readerFunc(func([]byte) (int, error) {
				reads++
				return 0, broken
			}))
			r := xz.NewReader(source, xz.Options{Workers: workers})
			content, err := io.ReadAll(r)
			_, again := r.Read(make([]byte, 1))
			if !errors.Is(err, broken) || again != err || reads != 1 || !bytes.HasPrefix(whole, content) {
				t.Fatalf("cut at %d: %d bytes, %v, then %v after %d reads", length, len(content), err, again, reads)
			}
		}
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

func TestCloseEndsAllGoroutines(t *testing.T) {
	packed := readFixture(t, "blocks.xz")
	before := runtime.NumGoroutine()
	for n := range 40 {
		r := xz.NewReader(bytes.NewReader(packed), xz.Options{Workers: 3})
		if _, err := io.ReadFull(r, make([]byte, 1+50*n)); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if err := r.Close(); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := r.Read(make([]byte, 1)); !errors.Is(err, xz.ErrClosed) {
			t.Fatalf("a closed reader gave %v", err)
		}
	}
	for patience := time.Now().Add(10 * time.Second); runtime.NumGoroutine() > before; runtime.Gosched() { // the last step of each
		if time.Now().After(patience) {
			t.Fatalf("%d goroutines before, %d after", before, runtime.NumGoroutine())
		}
	}
}

// TestStreamsGoSideBySide looks at how far a file of two streams was read when the first gave its first byte: to the end of
// the second, since a worker would rest otherwise.
func TestStreamsGoSideBySide(t *testing.T) {
	zeros, chunkBytes := zeroChunk(t)
	first := sizedFile(append(bytes.Clone(zeros), 0), int64(chunkBytes))
	stored := bytes.Repeat([]byte("\x01\xff\xff"+strings.Repeat("node", 1<<14)), 10)
	second := sizedFile(append(stored, 0), 10<<16)
	read := 0
	source := io.MultiReader(bytes.NewReader(first), bytes.NewReader(second))
	r := xz.NewReader(readerFunc(func(p []byte) (int, error) {
		n, err := source.Read(p)
		read += n
		return n, err
	}), xz.Options{Workers: 2})
	_, err := r.Read(make([]byte, 1))
	if err != nil || read != len(first)+len(second) {
		t.Errorf("%d of %d bytes were read before the first was given, %v", read, len(first)+len(second), err)
	}
	if rest, err := io.Copy(io.Discard, r); err != nil || rest != int64(chunkBytes+10<<16-1) {
		t.Error(rest, err)
	}
}

// sizedFile is a file whose block's header states both sizes.
func sizedFile(data []byte, decodedBytes int64) []byte {
	return sizedFileOf(0, plainFields[1:], data, decodedBytes)
}

// sizedFileOf is one with filters: so many beside LZMA2, with the flags of all.
func sizedFileOf(filters byte, filterFlags, data []byte, decodedBytes int64) []byte {
	fields := binary.AppendUvarint(binary.AppendUvarint([]byte{0xc0 | filters}, uint64(len(data))), uint64(decodedBytes))
	return file(append(fields, filterFlags...), data, decodedBytes)
}

func TestSteadyReadsAllocateNothing(t *testing.T) {
	var packed bytes.Buffer
	pack(t, &packed, invented(8<<20, 3))
	r := xz.NewReader(&packed, xz.Options{Workers: 1})
	p := make([]byte, 4096)
	if _, err := io.CopyN(io.Discard, struct{ io.Reader }{r}, 5<<20); err != nil {
		t.Fatal(err)
	}
	if allocations := testing.AllocsPerRun(300, func() {
		if _, err := r.Read(p); err != nil {
			t.Fatal(err)
		}
	}); allocations > 0 {
		t.Errorf("a read allocates %v times", allocations)
	}
}

func pack(tb testing.TB, to io.Writer, content []byte) {
	tb.Helper()
	w, err := ulikunitz.WriterConfig{DictCap: 1 << 16, BlockSize: 3 << 20, CheckSum: ulikunitz.CRC64}.NewWriter(to)
	if err == nil {
		_, err = w.Write(content)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		tb.Fatal(err)
	}
}

// The window of 64 KiB and more is moved on many times, and the check of long pieces goes through its lanes.
func TestWriterOfAnotherLibraryIsUnderstood(t *testing.T) {
	for _, lengthBytes := range []int{0, 1, 1<<16 - 1, 1 << 16, 1<<21 + 1, 7<<20 + 5} {
		content := invented(lengthBytes, uint64(lengthBytes))
		var packed bytes.Buffer
		pack(t, &packed, content)
		got := sameInEveryWay(t, packed.Bytes(), "two", "planned")
		if got.err != nil || got.content != string(content) {
			t.Errorf("%d bytes: got %d, %v", lengthBytes, len(got.content), got.err)
		}
	}
}

func TestStutteringSourcesChangeNothing(t *testing.T) {
	packed := readFixture(t, "chain.xz")
	random := rand.New(rand.NewPCG(1, 1))
	source := readerFunc(func(p []byte) (int, error) { // gives some bytes, few or none
		n := copy(p[:min(len(p), random.IntN(9))], packed)
		packed = packed[n:]
		if len(packed) == 0 {
			return n, io.EOF
		}
		return n, nil
	})
	got := decode(iotest.HalfReader(source), xz.Options{})
	if want := string(readFixture(t, "code.bin")); got.err != nil || got.content != want {
		t.Errorf("%d bytes, %v", len(got.content), got.err)
	}
	never := readerFunc(func([]byte) (int, error) { return 0, nil })
	if got := decode(never, xz.Options{}); !errors.Is(got.err, io.ErrNoProgress) {
		t.Errorf("a source that gives nothing: %v", got.err)
	}
}
