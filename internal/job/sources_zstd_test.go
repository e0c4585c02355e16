package job_test

import (
	"bytes"
	"encoding/binary"
	"testing"

	"github.com/klauspost/compress/zstd"
)

// A zstdFile is one frame (RFC 8878): magic 4, descriptor 1, window 1 where it is no single segment, content size where the
// descriptor says so, blocks of 64 KiB each, checksum 4 where the descriptor says so.
type zstdFile struct {
	packed  []byte
	sizeAt  int   // of the content size
	blockAt []int // where each block begins, and the end of the last
}

func (z *zstdFile) in(decodedBytes int) int { return z.blockAt[decodedBytes/(64<<10)] }

// zstdOf packs as one frame, with its content size and a checksum.
func zstdOf(t *testing.T, content []byte, options ...zstd.EOption) *zstdFile {
	t.Helper()
	options = append([]zstd.EOption{zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithWindowSize(1 << 20)}, options...)
	encoder, err := zstd.NewWriter(nil, options...)
	if err != nil {
		t.Fatal(err)
	}
	z := &zstdFile{packed: encoder.EncodeAll(content, nil), sizeAt: 6}
	descriptor := z.packed[4]
	if descriptor&0xe3 != 0x80 {
		t.Fatalf("descriptor %#x: no window, or a content size of another length than 4", descriptor)
	}
	for at := z.sizeAt + 4; ; {
		z.blockAt = append(z.blockAt, at)
		header := int(z.packed[at]) | int(z.packed[at+1])<<8 | int(z.packed[at+2])<<16
		if header>>1&3 == 1 {
			at += 4
		} else {
			at += 3 + header>>3
		}
		if header&1 != 0 {
			z.blockAt = append(z.blockAt, at)
			break
		}
	}
	if blocks := len(z.blockAt) - 1; blocks != len(content)/(64<<10) {
		t.Fatalf("%d blocks", blocks)
	}
	return z
}

func zstdSources(t *testing.T, image []byte) []badSource {
	t.Helper()
	z := zstdOf(t, image)
	first, second := zstdOf(t, image[:5*mib]), zstdOf(t, image[5*mib:])
	frames := bytes.Join([][]byte{first.packed, second.packed}, nil)
	firstEnd, end := len(first.packed), len(z.packed)
	crcAt := end - 4
	states := func(sizeBytes uint32) func() []byte { return edited(z.packed, z.sizeAt, little32(sizeBytes)...) }
	skippable := append([]byte("\x50\x2a\x4d\x18"), little32(100)...) // its length, and then less
	last := z.in(9 * mib)
	header := int(z.packed[last]) | int(z.packed[last+1])<<8 | int(z.packed[last+2])<<16
	if header>>1&3 != 2 { // RFC 8878, 3.1.1.2.2
		t.Fatal("the block at 9 MiB is not a compressed one")
	}
	shorter := header&7 | 100<<3
	const early = "ends too early, inside the container"
	const late = cleared + block + blanked // wrote
	return []badSource{
		{name: "zstd cut in its frame header", packed: cutTo(z.packed, 7), want: bad(0, 0, 7, early)},
		{name: "zstd cut in the head's data", packed: cutTo(z.packed, z.in(mib)+100), want: bad(0, z.in(mib), z.in(mib)+100, early)},
		{
			name: "zstd cut in the data behind the head", packed: cutTo(z.packed, z.in(5*mib)+100),
			want: bad(cleared+blanked, z.in(5*mib), z.in(5*mib)+100, early),
		},
		{
			name: "zstd cut in a block header", packed: cutTo(z.packed, z.in(9*mib)+2),
			want: bad(late, z.in(9*mib), z.in(9*mib)+2, early),
		},
		{name: "zstd cut where a block ends", packed: cutTo(z.packed, z.in(9*mib)), want: bad(late, z.in(9*mib), z.in(9*mib), early)},
		{name: "zstd cut before its checksum", packed: cutTo(z.packed, crcAt), want: bad(late, crcAt, crcAt, early)},
		{name: "zstd cut in its checksum", packed: cutTo(z.packed, end-1), want: bad(late, crcAt, end-1, early)},
		{name: "zstd with a wrong checksum", packed: flipped(z.packed, crcAt), want: bad(late, crcAt, end, "checksum")},
		{name: "zstd that states a byte more", packed: states(boardBytes + 1), want: bad(late, crcAt, end, "malformed")},
		{name: "zstd that states a byte less", packed: states(boardBytes - 1), want: bad(late, z.in(9*mib), end, "malformed")},
		{
			name: "zstd that states more than the card", packed: states(1 << 31),
			want: tooLarge("needs 2147483648 bytes"), stream: new(bad(late, crcAt, end, "malformed")),
		},
		{
			// 2^(10+21) bytes (3.1.1.1.2).
			name: "zstd with a window of 2 GiB", packed: edited(z.packed, 5, 21<<3),
			want: bad(0, 0, z.blockAt[0], "too much memory", "window of 2147483648 bytes"),
		},
		{
			name: "zstd with a dictionary", packed: joined(z.packed[:4], []byte{z.packed[4] | 1, z.packed[5], 7}, z.packed[6:]),
			want: bad(0, 0, z.blockAt[0], "not supported", "dictionary 7"),
		},
		{
			name: "zstd with a block of the reserved kind", packed: edited(z.packed, z.in(9*mib), z.packed[z.in(9*mib)]|6),
			want: bad(late, z.in(9*mib), z.in(9*mib)+3, "malformed", "reserved zstd block kind"),
		},
		{
			name: "zstd with the reserved bit in its header", packed: edited(z.packed, 4, z.packed[4]|8),
			want: bad(0, 0, z.blockAt[0], "malformed"),
		},
		{name: "zstd with a zero behind it", packed: joined(z.packed, []byte{0}), want: bad(late, end, end, "bytes follow the end")},
		{
			name: "zstd with text behind it", packed: joined(z.packed, []byte("and so on")),
			want: bad(late, end, end, "bytes follow the end"),
		},
		{
			name:   "zstd with a block that states 100 bytes alone",
			packed: edited(z.packed, last, byte(shorter), byte(shorter>>8), byte(shorter>>16)),
			want:   bad(late, last, z.in(9*mib+64<<10), "malformed", "block too small"),
		},
		{name: "sound zstd of two frames", packed: joined(frames), want: intact()},
		{
			name: "zstd whose second frame has a wrong checksum", packed: flipped(frames, len(frames)-1),
			want: bad(late, len(frames)-4, len(frames), "checksum"),
		},
		{
			name: "zstd whose second frame is cut in its header", packed: cutTo(frames, firstEnd+5),
			want: bad(cleared+blanked, firstEnd, firstEnd+5, early),
		},
		{
			// A known limit: nothing in a zstd file tells how many frames it has, so this is a sound, shorter file.
			name: "zstd cut where a frame ends", packed: cutTo(frames, firstEnd), image: image[:5*mib],
			want: outcome{wrote: cleared + 5*mib},
		},
		{name: "zstd with a skippable frame behind it", packed: joined(z.packed, skippable, make([]byte, 100)), want: intact()},
		{
			name: "zstd with a cut skippable frame behind it", packed: joined(z.packed, skippable, make([]byte, 99)),
			want: bad(late, end, end+8+99, early),
		},
		{
			name: "zstd of a skippable frame alone", packed: joined(skippable, make([]byte, 100)),
			want: bad(0, 108, 108, "image is empty"),
		},
		{
			name: "zstd bomb", want: outgrows(), // 1 GiB of zeros that states no size
			packed: func() []byte {
				zeros := zstdOf(t, make([]byte, 16*mib), zstd.WithEncoderCRC(false))
				frame := append(binary.LittleEndian.AppendUint32(nil, 0xfd2fb528), 0, zeros.packed[5])
				return bytes.Repeat(append(frame, zeros.packed[zeros.sizeAt+4:]...), 64)
			},
		},
	}
}
