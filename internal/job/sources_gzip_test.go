package job_test

import (
	"bytes"
	"compress/flate"
	"hash/crc32"
	"testing"
)

// A gzipFile is one member (RFC 1952): header 10, name, deflate data, CRC-32 4, size 4. The data are flushed behind every MiB,
// so that it is known by construction how much comes before a place.
type gzipFile struct {
	packed []byte
	dataAt int
	mibAt  []int // where the data of each MiB begin
}

func (g *gzipFile) crcAt() int  { return len(g.packed) - 8 }
func (g *gzipFile) sizeAt() int { return len(g.packed) - 4 }

func gzipOf(t *testing.T, content []byte) *gzipFile {
	t.Helper()
	packed := bytes.NewBufferString("\x1f\x8b\x08\x08\x00\x00\x00\x00\x00\x03board.img\x00")
	g := &gzipFile{dataAt: packed.Len()}
	deflater, err := flate.NewWriter(packed, flate.BestSpeed)
	for at := 0; at < len(content) && err == nil; at += mib {
		g.mibAt = append(g.mibAt, packed.Len())
		if _, err = deflater.Write(content[at:min(at+mib, len(content))]); err == nil {
			err = deflater.Flush()
		}
	}
	if err == nil {
		err = deflater.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	packed.Write(little32(crc32.ChecksumIEEE(content)))
	packed.Write(little32(uint32(len(content))))
	g.packed = packed.Bytes()
	return g
}

func gzipSources(t *testing.T, image []byte) []badSource {
	t.Helper()
	g := gzipOf(t, image)
	first, second := gzipOf(t, image[:5*mib]), gzipOf(t, image[5*mib:])
	firstEnd := len(first.packed)
	both := bytes.Join([][]byte{first.packed, second.packed}, nil)
	zeros := gzipOf(t, make([]byte, 16*mib))
	headerCheck := bytes.Join([][]byte{[]byte("\x1f\x8b\x08\x02\x00\x00\x00\x00\x00\x03\x00\x00"), g.packed[g.dataAt:]}, nil)
	const early = "ends too early, inside the container"
	end := len(g.packed)
	rows := []badSource{
		{name: "gzip cut in its header", packed: cutTo(g.packed, 5), want: bad(0, 0, 5, early)},
		{name: "gzip cut in its file name", packed: cutTo(g.packed, 14), want: bad(0, 10, 14, early)},
		{name: "gzip cut in the head's data", packed: cutTo(g.packed, g.mibAt[2]), want: bad(0, g.mibAt[2], g.mibAt[2], early)},
		{
			name: "gzip cut in the data behind the head", packed: cutTo(g.packed, g.mibAt[5]+100),
			want: bad(cleared+blanked, g.mibAt[5]+100, g.mibAt[5]+100, early),
		},
		{
			name: "gzip cut in the last data", packed: cutTo(g.packed, g.mibAt[9]),
			want: bad(cleared+block+blanked, g.mibAt[9], g.mibAt[9], early),
		},
		{
			name: "gzip cut before its CRC", packed: cutTo(g.packed, g.crcAt()),
			want: bad(cleared+block+blanked, g.crcAt(), g.crcAt(), early),
		},
		{name: "gzip cut in its CRC", packed: cutTo(g.packed, end-6), want: bad(cleared+block+blanked, g.crcAt(), end-6, early)},
		{
			name: "gzip cut before its size", packed: cutTo(g.packed, g.sizeAt()),
			want: bad(cleared+block+blanked, g.crcAt(), end-4, early),
		},
		{name: "gzip cut in its size", packed: cutTo(g.packed, end-1), want: bad(cleared+block+blanked, g.crcAt(), end-1, early)},
		{
			name: "gzip with a wrong CRC", packed: flipped(g.packed, g.crcAt()),
			want: bad(cleared+block+blanked, g.crcAt(), end, "checksum", "CRC-32", "gzip"),
		},
		{
			name: "gzip that states a byte more", packed: edited(g.packed, g.sizeAt(), little32(boardBytes+1)...),
			want: bad(cleared+block+blanked, g.crcAt(), end, "length of a gzip member"),
		},
		{
			name: "gzip that states a byte less", packed: edited(g.packed, g.sizeAt(), little32(boardBytes-1)...),
			want: bad(cleared+block+blanked, g.crcAt(), end, "length of a gzip member"),
		},
		{name: "gzip of method 7", packed: edited(g.packed, 2, 7), want: bad(0, 0, 10, "malformed", "gzip member header")},
		{
			name: "gzip with a wrong CRC of its header", packed: joined(headerCheck),
			want: bad(0, 0, 12, "malformed", "gzip member header"),
		},
		{
			name: "gzip with a deflate block of the reserved kind", packed: edited(g.packed, g.mibAt[9], 0x06),
			want: bad(cleared+block+blanked, g.mibAt[9], g.mibAt[9]+8, "malformed", "deflate data"),
		},
		{
			name: "gzip with zeros behind it", packed: joined(g.packed, make([]byte, 512)),
			want: bad(cleared+block+blanked, end, end, "bytes follow the end"),
		},
		{
			name: "gzip with text behind it", packed: joined(g.packed, []byte("and so on")),
			want: bad(cleared+block+blanked, end, end, "bytes follow the end"),
		},
		{
			name: "gzip with the start of another behind it", packed: joined(g.packed, g.packed[:4]),
			want: bad(cleared+block+blanked, end, end+4, early),
		},
		{name: "sound gzip of two members", packed: joined(both), want: intact()},
		{
			name: "gzip whose second member has a wrong CRC", packed: flipped(both, len(both)-8),
			want: bad(cleared+block+blanked, len(both)-8, len(both), "checksum"),
		},
		{
			name: "gzip whose second member is of method 7", packed: edited(both, firstEnd+2, 7),
			want: bad(cleared+blanked, firstEnd, firstEnd+10, "gzip member header"),
		},
		{
			// A known limit: nothing in a gzip file tells how many members it has, so this is a sound, shorter file.
			name: "gzip cut where a member ends", packed: cutTo(both, firstEnd), image: image[:5*mib],
			want: outcome{wrote: cleared + 5*mib},
		},
		{
			name: "gzip bomb", packed: joined(bytes.Repeat(zeros.packed, 64)), // 1 GiB of zeros
			want: outgrows(),
		},
	}
	for i := range rows {
		rows[i].alike = true
	}
	return rows
}
