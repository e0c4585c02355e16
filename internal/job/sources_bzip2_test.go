package job_test

import (
	"bytes"
	"hash/crc32"
	"math/bits"
	"slices"
)

// A bzip2File is one stream: "BZh9", then, not in whole bytes, blocks of 1 MiB of content each, the end mark of 48 bits and a
// CRC of 32. A block: magic 48, CRC 32, what is read back from it. The layout is that which bzip2 1.0.8 reads.
type bzip2File struct {
	packed  []byte
	blockAt []int // the bit where each block begins
	endAt   int   // the bit where the end mark begins
}

// bzip2CRC is CRC-32 with its bits the other way round, the first one highest.
func bzip2CRC(content []byte) uint32 {
	turned := make([]byte, len(content))
	for i, b := range content {
		turned[i] = bits.Reverse8(b)
	}
	return bits.Reverse32(crc32.ChecksumIEEE(turned))
}

// bzip2Of packs by the simplest means that are right: rotations are sorted as they are, and all codes are of two lengths.
func bzip2Of(content []byte) *bzip2File {
	z := &bzip2File{}
	out := &bitWriter{packed: []byte("BZh9")}
	var combined uint32
	for at := 0; at < len(content); at += mib {
		part := content[at:min(at+mib, len(content))]
		crc := bzip2CRC(part)
		combined = bits.RotateLeft32(combined, 1) ^ crc
		z.blockAt = append(z.blockAt, out.at())
		out.write(48, 0x314159265359)
		out.write(32, uint64(crc))
		out.write(1, 0) // not randomised
		writeBzip2Block(out, bzip2Runs(part))
	}
	z.endAt = out.at()
	out.write(48, 0x177245385090)
	out.write(32, uint64(combined))
	out.write(-out.at()&7, 0)
	z.packed = out.packed
	return z
}

// bzip2Runs writes runs of 4 to 255 equal bytes as four of them and the number of the others.
func bzip2Runs(content []byte) (runs []byte) {
	for len(content) > 0 {
		n := 1
		for n < len(content) && n < 255 && content[n] == content[0] {
			n++
		}
		runs = append(runs, content[:min(n, 4)]...)
		if n >= 4 {
			runs = append(runs, byte(n-4))
		}
		content = content[n:]
	}
	return runs
}

func writeBzip2Block(out *bitWriter, runs []byte) {
	last, origin := sortedRotations(runs)
	out.write(24, uint64(origin))
	var used [256]bool
	for _, b := range runs {
		used[b] = true
	}
	var alphabet []byte
	for high := range 16 {
		out.write(1, bit(slices.Contains(used[16*high:16*high+16], true)))
	}
	for high := range 16 {
		for low := range 16 {
			if !slices.Contains(used[16*high:16*high+16], true) {
				break
			}
			b := 16*high + low
			out.write(1, bit(used[b]))
			if used[b] {
				alphabet = append(alphabet, byte(b))
			}
		}
	}
	symbols := movedToFront(last, alphabet)
	sets := (len(symbols) + 49) / 50
	out.write(3, 2) // as few tables as there may be, both the same
	out.write(15, uint64(sets))
	for range sets {
		out.write(1, 0) // the first table
	}
	codes := len(alphabet) + 2
	long := bits.Len(uint(codes - 1))
	shorts := 1<<long - codes
	for range 2 {
		out.write(5, uint64(long-1))
		for symbol := range codes {
			if symbol == shorts {
				out.write(2, 0b10) // one longer
			}
			out.write(1, 0)
		}
	}
	for _, symbol := range symbols {
		if symbol < shorts {
			out.write(long-1, uint64(symbol))
		} else {
			out.write(long, uint64(symbol+shorts))
		}
	}
}

// sortedRotations gives the last byte of every rotation in their order, and which of them is the block itself.
func sortedRotations(runs []byte) (last []byte, origin int) {
	n := len(runs)
	twice := append(bytes.Clone(runs), runs...)
	starts := make([]int, n)
	for i := range starts {
		starts[i] = i
	}
	slices.SortFunc(starts, func(a, b int) int { return bytes.Compare(twice[a:a+n], twice[b:b+n]) })
	for _, start := range starts {
		last = append(last, twice[start+n-1])
	}
	return last, slices.Index(starts, 0)
}

// movedToFront gives each byte's place in a list that it then leads. Runs of the first place are numbers of digits 1 and 2,
// which are the symbols 0 and 1; the last symbol ends the block.
func movedToFront(last, alphabet []byte) (symbols []int) {
	list := bytes.Clone(alphabet)
	zeros := 0
	flush := func() {
		for ; zeros > 0; zeros = (zeros - 1) / 2 {
			symbols = append(symbols, (zeros-1)&1)
		}
	}
	for _, b := range last {
		at := bytes.IndexByte(list, b)
		if at == 0 {
			zeros++
			continue
		}
		flush()
		copy(list[1:], list[:at])
		list[0] = b
		symbols = append(symbols, at+1)
	}
	flush()
	return append(symbols, len(alphabet)+1)
}

func bit(set bool) uint64 {
	if set {
		return 1
	}
	return 0
}

// A bitWriter appends bits, the highest first.
type bitWriter struct {
	packed []byte
	free   int // bits of the last byte
}

func (w *bitWriter) at() int { return 8*len(w.packed) - w.free }

func (w *bitWriter) write(n int, value uint64) {
	for n--; n >= 0; n-- {
		if w.free == 0 {
			w.packed, w.free = append(w.packed, 0), 8
		}
		w.free--
		w.packed[len(w.packed)-1] |= byte(value>>n&1) << w.free
	}
}

// bitFlipped gives a copy with one bit inverted.
func bitFlipped(packed []byte, at int) func() []byte {
	return edited(packed, at/8, packed[at/8]^0x80>>(at%8))
}

func bzip2Sources(image []byte) []badSource {
	z := bzip2Of(image)
	first, second := bzip2Of(image[:5*mib]), bzip2Of(image[5*mib:])
	streams := bytes.Join([][]byte{first.packed, second.packed}, nil)
	firstEnd, end, mark := len(first.packed), len(z.packed), z.endAt/8
	in := func(decodedBytes int) int { return z.blockAt[decodedBytes/mib] / 8 }
	const early = "ends too early, inside the container"
	const late = cleared + block + blanked // wrote
	rows := []badSource{
		{name: "sound bzip2", packed: joined(z.packed), want: intact()},
		{
			// Four bytes of text are no sure sign of anything.
			name: "bzip2 cut in its header", packed: cutTo(z.packed, 4), want: bad(unopened, 0, 0, "unknown format"),
		},
		{name: "bzip2 cut in the head's data", packed: cutTo(z.packed, in(2*mib)), want: bad(0, in(2*mib), in(2*mib), early)},
		{
			name: "bzip2 cut in the data behind the head", packed: cutTo(z.packed, in(6*mib)),
			want: bad(cleared+blanked, in(6*mib), in(6*mib), early),
		},
		{name: "bzip2 cut in the last data", packed: cutTo(z.packed, in(9*mib)+99), want: bad(late, in(9*mib)+99, in(9*mib)+99, early)},
		{name: "bzip2 cut in its end mark", packed: cutTo(z.packed, mark+4), want: bad(late, mark+4, mark+4, early)},
		{name: "bzip2 cut in its CRC", packed: cutTo(z.packed, end-2), want: bad(late, end-2, end-2, early)},
		{
			name: "bzip2 with a wrong CRC of its first block", packed: bitFlipped(z.packed, z.blockAt[0]+48),
			want: bad(0, in(0), in(1*mib)+11, "checksum"),
		},
		{
			name: "bzip2 with a wrong CRC of its last block", packed: bitFlipped(z.packed, z.blockAt[9]+79),
			want: bad(late, in(9*mib), mark+1, "checksum"),
		},
		{
			name: "bzip2 with a wrong CRC of its whole", packed: bitFlipped(z.packed, z.endAt+48),
			want: bad(late, mark, end, "checksum"),
		},
		{
			name: "bzip2 with another magic before a block", packed: bitFlipped(z.packed, z.blockAt[9]),
			want: bad(late, in(9*mib), in(9*mib)+7, "malformed", "magic"),
		},
		{name: "bzip2 with a zero behind it", packed: joined(z.packed, []byte{0}), want: bad(late, end, end+1, "bytes follow the end")},
		{
			name: "bzip2 with text behind it", packed: joined(z.packed, []byte("and so on")),
			want: bad(late, end, end+4, "bytes follow the end"),
		},
		{name: "sound bzip2 of two streams", packed: joined(streams), want: intact()},
		{
			name: "bzip2 whose second stream has a wrong CRC", packed: bitFlipped(streams, 8*firstEnd+second.endAt+50),
			want: bad(late, firstEnd+second.endAt/8, len(streams), "checksum"),
		},
		{
			name: "bzip2 whose second stream is cut in its header", packed: cutTo(streams, firstEnd+3),
			want: bad(cleared+blanked, firstEnd, firstEnd+3, early),
		},
		{
			// A known limit: nothing in a bzip2 file tells how many streams it has, so this is a sound, shorter file.
			name: "bzip2 cut where a stream ends", packed: cutTo(streams, firstEnd), image: image[:5*mib],
			want: outcome{wrote: cleared + 5*mib},
		},
	}
	for i := range rows {
		rows[i].alike = true
	}
	return rows
}
