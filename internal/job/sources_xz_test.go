package job_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"hash/crc32"
	"hash/crc64"
	"testing"

	"github.com/ulikunitz/xz"
)

// The kinds of check that an xz stream may have ("The .xz File Format" 1.1.0, 2.1.1.2).
const (
	xzNone   = 0
	xzCRC32  = 1
	xzCRC64  = 4
	xzSHA256 = 10
)

// An xzBlock is where the parts of a block begin: header, LZMA2 data, padding to a multiple of 4, check.
type xzBlock struct{ header, data, padding, check, decodedBytes int }

// An xzFile is one stream of "The .xz File Format" 1.1.0: header 12, blocks, index, footer 12. Its blocks are of stored LZMA2
// chunks, control 1, size less one 2, 64 KiB of data, so that every place in it is known.
type xzFile struct {
	packed []byte
	blocks []xzBlock
	index  int
	footer int
}

// chunkPacked is what a chunk of 64 KiB takes.
const chunkPacked = 3 + 64<<10

// in is the place in a block where the chunk begins that the given byte of its content is the first of.
func (b xzBlock) in(decodedBytes int) int { return b.data + decodedBytes/(64<<10)*chunkPacked }

// xzOf packs the parts as one block each. The fields of a block header follow its size and flags.
func xzOf(check byte, fields []byte, parts ...[]byte) *xzFile {
	x := &xzFile{packed: summed([]byte("\xfd7zXZ\x00"), []byte{0, check})}
	records := binary.AppendUvarint([]byte{0}, uint64(len(parts)))
	for _, part := range parts {
		at := xzBlock{header: len(x.packed), decodedBytes: len(part)}
		header := append([]byte{0}, fields...)
		header = append(header, make([]byte, -len(header)&3)...)
		header[0] = byte(len(header) / 4)
		x.packed = summed(x.packed, header)
		at.data = len(x.packed)
		control := byte(1) // the first chunk begins a dictionary
		for rest := part; len(rest) > 0; control = 2 {
			n := min(len(rest), 64<<10)
			x.packed = append(binary.BigEndian.AppendUint16(append(x.packed, control), uint16(n-1)), rest[:n]...)
			rest = rest[n:]
		}
		x.packed = append(x.packed, 0)
		at.padding = len(x.packed)
		x.packed = append(x.packed, make([]byte, -len(x.packed)&3)...)
		at.check = len(x.packed)
		x.packed = append(x.packed, xzCheck(check, part)...)
		unpaddedBytes := len(x.packed) - at.header - (at.check - at.padding)
		records = binary.AppendUvarint(binary.AppendUvarint(records, uint64(unpaddedBytes)), uint64(len(part)))
		x.blocks = append(x.blocks, at)
	}
	x.end(append(records, make([]byte, -len(records)&3)...), check)
	return x
}

// end appends an index, given without its CRC-32, and the footer.
func (x *xzFile) end(index []byte, check byte) {
	x.index = len(x.packed)
	x.packed = summed(x.packed, index)
	x.footer = len(x.packed)
	foot := append(little32(uint32(x.footer-x.index)/4-1), 0, check)
	x.packed = append(append(append(x.packed, little32(crc32.ChecksumIEEE(foot))...), foot...), "YZ"...)
}

// reindexed gives the file with another index, which agrees with itself and with its footer.
func (x *xzFile) reindexed(index []byte) []byte {
	changed := &xzFile{packed: bytes.Clone(x.packed[:x.index])}
	changed.end(append(index, make([]byte, -len(index)&3)...), x.packed[7])
	return changed.packed
}

// summed appends bytes and their CRC-32.
func summed(to, content []byte) []byte {
	return append(append(to, content...), little32(crc32.ChecksumIEEE(content))...)
}

func xzCheck(kind byte, content []byte) []byte {
	switch kind {
	case xzCRC32:
		return little32(crc32.ChecksumIEEE(content))
	case xzCRC64:
		return binary.LittleEndian.AppendUint64(nil, crc64.Checksum(content, crc64.MakeTable(crc64.ECMA)))
	case xzSHA256:
		sum := sha256.Sum256(content)
		return sum[:]
	}
	return nil
}

// xzPlain are the fields of a block header without sizes: LZMA2 with 64 KiB of dictionary (5.3.1).
var xzPlain = []byte{0, 0x21, 1, 8}

// xzSources are streams of one block.
func xzSources(image []byte) []badSource {
	x := xzOf(xzCRC32, xzPlain, image)
	b, end := x.blocks[0], len(x.packed)
	const early = "ends too early"
	const late = cleared + block + blanked // wrote
	rows := []badSource{
		{name: "xz cut in its stream header", packed: cutTo(x.packed, 8), want: bad(0, 0, 8, early)},
		{name: "xz cut in its block header", packed: cutTo(x.packed, b.header+4), want: bad(0, b.header, b.header+4, early)},
		{name: "xz cut in the head's data", packed: cutTo(x.packed, b.in(mib)+9), want: bad(0, b.in(mib), b.in(mib), early)},
		{
			name: "xz cut in the data behind the head", packed: cutTo(x.packed, b.in(4*mib)),
			want: bad(cleared+blanked, b.in(4*mib), b.in(4*mib), early),
		},
		{name: "xz cut in the last data", packed: cutTo(x.packed, b.in(9*mib)+1), want: bad(late, b.in(9*mib), b.in(9*mib), early)},
		{name: "xz cut in its block padding", packed: cutTo(x.packed, b.padding+1), want: bad(late, b.padding, b.padding, early)},
		{name: "xz cut in its block check", packed: cutTo(x.packed, b.check+3), want: bad(late, b.padding, b.check+3, early)},
		{name: "xz cut in its index", packed: cutTo(x.packed, x.index+3), want: bad(late, x.index, x.index+3, early)},
		{name: "xz cut in its footer", packed: cutTo(x.packed, end-1), want: bad(late, x.footer, x.footer, early)},
		{name: "xz with a wrong CRC of its header", packed: flipped(x.packed, 8), want: bad(0, 0, 0, "checksum", "stream header")},
		{
			name: "xz with a wrong CRC of its block header", packed: flipped(x.packed, b.data-1),
			want: bad(0, b.header, b.header, "checksum", "block header"),
		},
		{
			name: "xz with a wrong CRC of its index", packed: flipped(x.packed, x.footer-1),
			want: bad(late, x.index, x.footer, "checksum", "index"),
		},
		{
			name: "xz with a wrong CRC of its footer", packed: flipped(x.packed, x.footer),
			want: bad(late, x.footer, x.footer, "checksum", "stream footer"),
		},
		{
			name: "xz with bytes in its block padding", packed: edited(x.packed, b.padding, 1),
			want: bad(late, b.padding, b.padding, "malformed", "padding of a block"),
		},
		{
			name: "xz with a reserved control byte in its data", packed: edited(x.packed, b.in(9*mib), 3),
			want: bad(late, b.in(9*mib), b.in(9*mib), "malformed", "control byte"),
		},
		{
			name: "xz with another magic in its footer", packed: edited(x.packed, end-2, 'Z', 'Y'),
			want: bad(late, x.footer, x.footer, "malformed", "no stream footer"),
		},
		{name: "xz with 4 zeros behind it", packed: joined(x.packed, make([]byte, 4)), want: intact()}, // stream padding
		{name: "xz with 3 zeros behind it", packed: joined(x.packed, make([]byte, 3)), want: bad(late, end, end, "bytes follow")},
		{name: "xz with text behind it", packed: joined(x.packed, []byte("and so on")), want: bad(late, end, end, "bytes follow")},
		{
			name: "xz of an unknown check", packed: joined([]byte("\xfd7zXZ\x00"), summed(nil, []byte{0, 2}), x.packed[12:]),
			want: bad(0, 0, 0, "not supported", "check of kind 0x2"),
		},
		{
			// 3 * 2^29 bytes (5.3.1).
			name:   "xz that asks for a dictionary of 1.5 GiB",
			packed: func() []byte { return xzOf(xzCRC32, []byte{0, 0x21, 1, 37}, image[:mib]).packed },
			want:   bad(0, 12, 12, "dictionary is larger than allowed", "1610612736 bytes"),
		},
		{
			name: "xz of an unknown filter", packed: func() []byte { return xzOf(xzCRC32, []byte{0, 0x3f, 1, 8}, image[:mib]).packed },
			want: bad(0, 12, 12, "not supported", "filter 0x3f"),
		},
	}
	for name, kind := range map[string]byte{"CRC-32": xzCRC32, "CRC-64": xzCRC64, "SHA-256": xzSHA256} {
		rows = append(rows, badSource{
			name: "xz with a wrong " + name + " of its block",
			packed: func() []byte {
				x := xzOf(kind, xzPlain, image)
				return flipped(x.packed, x.blocks[0].check)()
			},
			want: bad(late, b.padding, b.padding, "checksum", "block of 10485760 bytes"),
		})
	}
	changed := bytes.Clone(image)
	changed[9*mib] ^= 1
	return append(rows,
		badSource{
			name: "xz whose content was changed", packed: flipped(x.packed, b.in(9*mib)+3),
			want: bad(late, b.padding, b.padding, "checksum"),
		},
		// A known limit: a stream without check guards its structure alone, and nothing tells that its content changed.
		badSource{name: "xz without check whose content was changed", image: changed, want: intact(), packed: func() []byte {
			return xzOf(xzNone, xzPlain, changed).packed
		}},
	)
}

// xzStreamSources are files of several blocks or streams, with sizes that lie, and of LZMA data.
func xzStreamSources(t *testing.T, image []byte) []badSource {
	t.Helper()
	x := xzOf(xzCRC64, xzPlain, image)
	parts := xzOf(xzCRC64, xzPlain, image[:4*mib], image[4*mib:6*mib], image[6*mib:])
	first, second := xzOf(xzCRC32, xzPlain, image[:5*mib]), xzOf(xzSHA256, xzPlain, image[5*mib:])
	streams := bytes.Join([][]byte{first.packed, second.packed}, nil)
	firstEnd, b := len(first.packed), x.blocks[0]
	unpaddedBytes := uint64(len(x.packed[b.header:b.padding]) + 8)
	states := func(decodedBytes uint64) []byte {
		index := binary.AppendUvarint([]byte{0, 1}, unpaddedBytes)
		return x.reindexed(binary.AppendUvarint(index, decodedBytes))
	}
	sized := func(packedBytes, decodedBytes uint64) *xzFile { // in its block header, flags 0xc0
		fields := binary.AppendUvarint([]byte{0xc0}, packedBytes)
		return xzOf(xzCRC64, append(binary.AppendUvarint(fields, decodedBytes), xzPlain[1:]...), image)
	}
	packedBytes := uint64(b.padding - b.data)
	y := sized(packedBytes, boardBytes)
	yb := y.blocks[0]
	lzma := lzmaOf(t, image)
	const late = cleared + block + blanked // wrote
	disagrees := bad(late, x.index, x.footer, "malformed", "index disagrees with the blocks")
	return []badSource{
		{name: "sound xz of three blocks", packed: joined(parts.packed), want: intact()},
		{
			// The check of the first block comes behind its 4 MiB, so the head is known before it is found wrong.
			name: "xz whose head's block has a wrong check", packed: flipped(parts.packed, parts.blocks[0].check),
			want: bad(cleared+blanked, parts.blocks[0].padding, parts.blocks[0].check+8, "checksum", "block of 4194304 bytes"),
		},
		{
			name: "xz whose second block has a wrong check", packed: flipped(parts.packed, parts.blocks[1].check),
			want: bad(cleared+blanked, parts.blocks[1].padding, parts.blocks[1].check+8, "checksum", "block of 2097152 bytes"),
		},
		{
			name: "xz whose third block has a wrong header", packed: flipped(parts.packed, parts.blocks[2].header+3),
			want: bad(cleared+blanked, parts.blocks[2].header, parts.blocks[2].header, "checksum", "block header"),
		},
		{name: "xz that states a byte more in its index", packed: joined(states(boardBytes + 1)), want: disagrees},
		{name: "xz that states a byte less in its index", packed: joined(states(boardBytes - 1)), want: disagrees},
		{
			name: "xz that states more than the card in its index", packed: joined(states(1 << 40)),
			want: tooLarge("needs 1099511627776 bytes"), stream: &disagrees,
		},
		{
			name: "xz whose index lists a block twice",
			want: bad(late, x.index, len(x.packed)+16, "malformed", "more blocks than there are"),
			packed: func() []byte {
				index := []byte{0, 2}
				for range 2 {
					index = binary.AppendUvarint(binary.AppendUvarint(index, unpaddedBytes), boardBytes)
				}
				return x.reindexed(index)
			},
		},
		{name: "xz whose index lists nothing", packed: func() []byte { return x.reindexed([]byte{0, 0}) }, want: disagrees},
		{
			name: "xz whose footer states another index", want: bad(late, x.footer, x.footer, "malformed", "footer disagrees"),
			packed: func() []byte { return refooted(x.packed, 4, x.packed[len(x.packed)-8]+1) },
		},
		{
			name: "xz whose footer states another check", want: bad(late, x.footer, x.footer, "malformed", "footer disagrees"),
			packed: func() []byte { return refooted(x.packed, 9, xzCRC32) },
		},
		{name: "sound xz of stated sizes", packed: joined(y.packed), want: intact()},
		{
			name: "xz that states a byte more in its block header", packed: joined(sized(packedBytes, boardBytes+1).packed),
			want: bad(late, yb.data, yb.check, "malformed", "size is not what its header states"),
		},
		{
			name: "xz that states a byte less in its block header", packed: joined(sized(packedBytes, boardBytes-1).packed),
			want: bad(late, yb.data, yb.check, "malformed", "holds more than its header states"),
		},
		{
			name: "xz that states a byte of data more in its block header", packed: joined(sized(packedBytes+1, boardBytes).packed),
			want: bad(late, yb.data, yb.check, "malformed", "size is not what its header states"),
		},
		{
			name: "xz that states a byte of data less in its block header", packed: joined(sized(packedBytes-1, boardBytes).packed),
			want: bad(late, yb.data, yb.check, "malformed", "takes more than its header states"),
		},
		{
			name: "xz that states more than the card in its block header", packed: joined(sized(packedBytes, 1<<40).packed),
			want: bad(late, yb.data, yb.check+20, "malformed", "size is not what its header states"),
		},
		{name: "sound xz of two streams", packed: joined(streams), want: intact()},
		{
			name: "xz whose second stream has a wrong check", packed: flipped(streams, firstEnd+second.blocks[0].check),
			want: bad(late, firstEnd+second.blocks[0].padding, firstEnd+second.blocks[0].check, "checksum"),
		},
		{
			name: "xz whose second stream is cut in its header", packed: cutTo(streams, firstEnd+7),
			want: bad(cleared+blanked, firstEnd, firstEnd+7, "ends too early"),
		},
		{
			// A known limit: nothing in an xz file tells how many streams it has, so this is a sound, shorter file.
			name: "xz cut where a stream ends", packed: cutTo(streams, firstEnd), image: image[:5*mib],
			want: outcome{wrote: cleared + 5*mib},
		},
		{name: "sound xz of LZMA data", packed: joined(lzma), want: intact()},
		{
			name: "xz with LZMA data that were changed", packed: flipped(lzma, 2000),
			want: bad(0, 12, 2<<20, "malformed", "LZMA data"),
		},
	}
}

// refooted gives a copy with one byte of its footer changed, and the footer's CRC-32 made right again.
func refooted(packed []byte, at int, with byte) []byte {
	changed := bytes.Clone(packed)
	footer := changed[len(changed)-12:]
	footer[at] = with
	copy(footer, little32(crc32.ChecksumIEEE(footer[4:10])))
	return changed
}

// lzmaOf packs with a library that the product does not use.
func lzmaOf(t *testing.T, content []byte) []byte {
	t.Helper()
	var packed bytes.Buffer
	w, err := xz.WriterConfig{DictCap: 1 << 16}.NewWriter(&packed)
	if err == nil {
		_, err = w.Write(content)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}
