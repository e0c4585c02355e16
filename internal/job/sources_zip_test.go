package job_test

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"hash/crc32"
	"testing"

	"cardwright/flash/source"
)

// A zipMember is one file of an archive as its headers state it. Where they lie, what they state of it.
type zipMember struct {
	name         string
	flags        uint16
	method       uint16
	crc          uint32
	decodedBytes uint64
	packed       []byte
	wide         bool   // sizes stand in a zip64 field
	descriptor   []byte // behind the data
}

// A zipFile is an archive (APPNOTE 6.3) and where the parts of its first member, its directory and its end begin.
type zipFile struct {
	packed                []byte
	data, dataEnd         int
	directory, end64, end int
}

const (
	zipEncrypted  = 1 << 0
	zipDescriptor = 1 << 3
)

// memberOf is a member that states the truth.
func memberOf(t *testing.T, name string, method uint16, content []byte) zipMember {
	t.Helper()
	m := zipMember{name: name, method: method, crc: crc32.ChecksumIEEE(content), decodedBytes: uint64(len(content)), packed: content}
	if method == 0 {
		return m
	}
	var packed bytes.Buffer
	deflater, err := flate.NewWriter(&packed, flate.BestSpeed)
	if err == nil {
		_, err = deflater.Write(content)
	}
	if err == nil {
		err = deflater.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	m.packed = packed.Bytes()
	return m
}

// described gives the member with what is known of it behind its data: magic 4, CRC-32 4, packed size 4, size 4.
func (m zipMember) described() zipMember {
	m.flags |= zipDescriptor
	m.descriptor = append([]byte("PK\x07\x08"), little32(m.crc)...)
	m.descriptor = append(append(m.descriptor, little32(uint32(len(m.packed)))...), little32(uint32(m.decodedBytes))...)
	return m
}

// fields are what local header and directory state alike: flags 2, method 2, time 4, CRC-32 4, packed size 4, size 4, name
// length 2, extra length 2. A local header leaves out what a descriptor tells.
func (m zipMember) fields(local bool) (fields, extra []byte) {
	crc, packedBytes, decodedBytes := m.crc, uint64(len(m.packed)), m.decodedBytes
	if local && m.flags&zipDescriptor != 0 {
		crc, packedBytes, decodedBytes = 0, 0, 0
	}
	if m.wide {
		extra = binary.LittleEndian.AppendUint64([]byte{1, 0, 16, 0}, decodedBytes)
		extra = binary.LittleEndian.AppendUint64(extra, packedBytes)
		packedBytes, decodedBytes = 1<<32-1, 1<<32-1
	}
	fields = binary.LittleEndian.AppendUint16(nil, m.flags)
	fields = append(binary.LittleEndian.AppendUint16(fields, m.method), 0, 0, 0x21, 0)
	fields = append(append(fields, little32(crc)...), little32(uint32(packedBytes))...)
	fields = append(fields, little32(uint32(decodedBytes))...)
	fields = binary.LittleEndian.AppendUint16(fields, uint16(len(m.name)))
	return binary.LittleEndian.AppendUint16(fields, uint16(len(extra))), extra
}

// zipOf writes the members; the directory may state others.
func zipOf(members []zipMember, listed ...zipMember) *zipFile {
	if listed == nil {
		listed = members
	}
	z := &zipFile{}
	var starts []uint32
	for i, m := range members {
		starts = append(starts, uint32(len(z.packed)))
		fields, extra := m.fields(true)
		z.packed = append(append(z.packed, "PK\x03\x04\x2d\x00"...), fields...)
		z.packed = append(append(z.packed, m.name...), extra...)
		if i == 0 {
			z.data = len(z.packed)
			z.dataEnd = z.data + len(m.packed)
		}
		z.packed = append(append(z.packed, m.packed...), m.descriptor...)
	}
	z.directory = len(z.packed)
	wide := false
	for i, m := range listed {
		fields, extra := m.fields(false)
		z.packed = append(append(z.packed, "PK\x01\x02\x2d\x00\x2d\x00"...), fields...)
		z.packed = append(append(z.packed, make([]byte, 10)...), little32(starts[i])...)
		z.packed = append(append(z.packed, m.name...), extra...)
		wide = wide || m.wide
	}
	z.end64 = len(z.packed)
	if wide {
		z.appendEnd64(uint64(len(listed)))
	}
	z.end = len(z.packed)
	count := binary.LittleEndian.AppendUint16(nil, uint16(len(listed)))
	z.packed = append(append(append(z.packed, "PK\x05\x06\x00\x00\x00\x00"...), count...), count...)
	z.packed = append(append(z.packed, little32(uint32(z.end64-z.directory))...), little32(uint32(z.directory))...)
	z.packed = append(z.packed, 0, 0)
	return z
}

// appendEnd64 writes the zip64 end record and its locator.
func (z *zipFile) appendEnd64(entries uint64) {
	long := binary.LittleEndian.AppendUint64
	end := long([]byte("PK\x06\x06"), 44)
	end = append(end, 45, 0, 45, 0, 0, 0, 0, 0, 0, 0, 0, 0)
	end = long(long(end, entries), entries)
	end = long(long(end, uint64(z.end64-z.directory)), uint64(z.directory))
	end = long(append(end, "PK\x06\x07\x00\x00\x00\x00"...), uint64(z.end64))
	z.packed = append(append(z.packed, end...), 1, 0, 0, 0)
}

func zipSources(t *testing.T, image []byte) []badSource {
	t.Helper()
	m := memberOf(t, "board.img", 8, image)
	z, described := zipOf([]zipMember{m}), zipOf([]zipMember{m.described()})
	stored := memberOf(t, "board.img", 0, image)
	folder := zipMember{name: "board/"}
	readme := memberOf(t, "readme", 0, []byte("read me first"))
	two := zipOf([]zipMember{m, readme})
	s := zipOf([]zipMember{stored})
	const early = "ends too early, inside the container"
	const late = cleared + block + blanked // wrote
	end := len(z.packed)
	encrypted, method := m, m
	encrypted.flags, method.method = zipEncrypted, 12
	return []badSource{
		{name: "sound zip", packed: joined(z.packed), want: intact()},
		{name: "sound zip with a folder", packed: joined(zipOf([]zipMember{folder, m}).packed), want: intact()},
		{name: "sound zip with a descriptor", packed: joined(described.packed), want: intact()},
		{name: "zip cut in its local header", packed: cutTo(z.packed, 20), want: bad(unopened, 0, 20, early)},
		{name: "zip cut in its member's name", packed: cutTo(z.packed, 33), want: bad(unopened, 30, 33, early)},
		{name: "zip cut in the head's data", packed: cutTo(s.packed, s.data+mib), want: bad(0, s.data+mib, s.data+mib, early)},
		{
			name: "zip cut in the data behind the head", packed: cutTo(s.packed, s.data+5*mib),
			want: bad(cleared+blanked, s.data+5*mib, s.data+5*mib, early),
		},
		{name: "zip cut in the last data", packed: cutTo(z.packed, z.dataEnd-9), want: bad(late, z.dataEnd-9, z.dataEnd-9, early)},
		{
			name: "zip cut in its descriptor", packed: cutTo(described.packed, described.dataEnd+15),
			want: bad(late, described.dataEnd, described.dataEnd+15, early),
		},
		{name: "zip cut before its directory", packed: cutTo(z.packed, z.directory), want: bad(late, z.directory, z.directory, early)},
		{
			name: "zip cut in its directory", packed: cutTo(z.packed, z.directory+50),
			want: bad(late, z.directory, z.directory+50, early),
		},
		{name: "zip cut before its end record", packed: cutTo(z.packed, z.end), want: bad(late, z.end, z.end, early)},
		{name: "zip cut in its end record", packed: cutTo(z.packed, end-1), want: bad(late, z.end, end-1, early)},
		{
			name: "zip with text behind it", packed: joined(z.packed, []byte("and so on")),
			want: bad(late, end, end, "bytes follow the end"),
		},
		{
			name: "zip with zeros behind it", packed: joined(z.packed, make([]byte, 512)),
			want: bad(late, end, end, "bytes follow the end"),
		},
		{
			name: "zip with text before it", packed: joined([]byte("unpack me\n"), z.packed),
			want: bad(unopened, 0, 0, "unknown format"),
		},
		{name: "zip of nothing", packed: joined(zipOf(nil).packed), want: bad(unopened, 0, 0, "no such member", "it holds no file")},
		{
			name: "zip of a folder alone", packed: joined(zipOf([]zipMember{folder}).packed),
			want: bad(unopened, 0, 36, "no such member", "it holds no file"),
		},
		{
			name: "zip of a folder that is asked for", packed: joined(zipOf([]zipMember{folder, m}).packed),
			options: source.Options{Member: "board/"}, want: bad(unopened, 0, 36, `"board/"`, "it is a directory"),
		},
		{
			// A stream shows what else there is only behind the image.
			name: "zip of two files", packed: joined(two.packed), want: bad(unopened, 0, 0, "several files", `"board.img", "readme"`),
			stream: new(bad(late, two.dataEnd, two.directory, "several files", `"board.img", "readme"`)),
		},
		{
			name: "sound zip of two files of which one is asked for", packed: joined(two.packed),
			options: source.Options{Member: "board.img"}, want: intact(),
		},
		{
			name: "zip without the file that is asked for", packed: joined(two.packed), options: source.Options{Member: "card.img"},
			want: bad(unopened, 0, two.directory, "no such member", `"card.img" is not among "board.img", "readme"`),
		},
		{
			name: "zip of two files of one name", packed: joined(zipOf([]zipMember{m, m}).packed),
			options: source.Options{Member: "board.img"},
			want:    bad(late, z.dataEnd, z.dataEnd+40, "malformed", `two zip members are named "board.img"`),
		},
		{
			name: "zip of an encrypted file", packed: joined(zipOf([]zipMember{encrypted}).packed),
			want: bad(unopened, 0, z.data, `"board.img"`, "encrypted"),
		},
		{
			name: "zip of method 12", packed: joined(zipOf([]zipMember{method}).packed),
			want: bad(unopened, 0, z.data, `"board.img"`, "method 12", "not supported"),
		},
		{
			name: "zip of an empty file", packed: joined(zipOf([]zipMember{memberOf(t, "board.img", 0, nil)}).packed),
			want: bad(0, 39, 200, "image is empty"),
		},
		{
			// Sound, but only the directory at the end tells where the file ends.
			name: "zip of a stored file with a descriptor", packed: joined(zipOf([]zipMember{stored.described()}).packed), want: intact(),
			stream: new(bad(unopened, 0, z.data, `"board.img"`, "stored without its size in front")),
		},
	}
}

// zipLies are archives whose headers, directory or end state what is not so.
func zipLies(t *testing.T, image []byte) []badSource {
	t.Helper()
	m := memberOf(t, "board.img", 8, image)
	z, described := zipOf([]zipMember{m}), zipOf([]zipMember{m.described()})
	wide := m
	wide.wide = true
	w := zipOf([]zipMember{wide})
	lied := func(lie func(m *zipMember)) zipMember { // in a copy
		l := m
		lie(&l)
		return l
	}
	more, less := lied(func(m *zipMember) { m.decodedBytes++ }), lied(func(m *zipMember) { m.decodedBytes-- })
	huge := lied(func(m *zipMember) { m.wide, m.decodedBytes = true, 1<<40 })
	crc := lied(func(m *zipMember) { m.crc ^= 1 })
	small := lied(func(m *zipMember) { m.decodedBytes = 512 })
	shortStored := memberOf(t, "board.img", 0, image)
	const late = cleared + block + blanked // wrote
	notOfSize := bad(late, z.dataEnd, z.dataEnd, "malformed", `"board.img" is not of the stated size`)
	disagree := bad(late, z.directory, z.end, "malformed", "directory and the header disagree", `"board.img"`)
	bomb := memberOf(t, "board.img", 8, make([]byte, 64*mib))
	bomb.decodedBytes = 512
	return []badSource{
		{
			name: "zip with a wrong CRC", packed: joined(zipOf([]zipMember{crc}).packed),
			want: bad(late, z.dataEnd, z.dataEnd, "checksum", "CRC-32", "board.img"),
		},
		{name: "zip that states a byte more", packed: joined(zipOf([]zipMember{more}).packed), want: notOfSize},
		{name: "zip that states a byte less", packed: joined(zipOf([]zipMember{less}).packed), want: notOfSize},
		{
			name:   "zip of a stored file that states less data",
			packed: edited(zipOf([]zipMember{shortStored}).packed, 18, little32(9*mib)...),
			want:   bad(late, 39+9*mib, 39+9*mib, "malformed", "not of the stated size"),
		},
		{
			name: "zip with a descriptor of another CRC", packed: flipped(described.packed, described.dataEnd+4),
			want: bad(late, described.dataEnd, described.dataEnd+16, "checksum", "descriptor"),
		},
		{
			name: "zip with a descriptor of another size", packed: flipped(described.packed, described.dataEnd+12),
			want: bad(late, described.dataEnd, described.dataEnd+16, "checksum", "descriptor"),
		},
		{name: "zip with a wrong CRC in its directory", packed: joined(zipOf([]zipMember{m}, crc).packed), want: disagree},
		{
			name: "zip with another name in its directory", packed: edited(z.packed, z.directory+46, 'B'),
			want: bad(late, z.directory, z.end, "disagree", `"Board.img"`),
		},
		{
			name: "zip that states too little in its directory", packed: joined(zipOf([]zipMember{m}, small).packed), want: disagree,
		},
		{
			name:   "zip that states more than the card in its directory",
			packed: joined(zipOf([]zipMember{m}, huge).packed), want: tooLarge("needs 1099511627776 bytes"),
			stream: new(bad(late, z.directory, z.end+20, "directory and the header disagree")),
		},
		{name: "zip bomb that states one sector", packed: joined(zipOf([]zipMember{bomb}).packed), want: outgrows()},
		{name: "sound zip64", packed: joined(w.packed), want: intact()},
		{
			name: "zip64 that states more than the card", packed: joined(zipOf([]zipMember{huge}).packed),
			want:   tooLarge("needs 1099511627776 bytes"),
			stream: new(bad(late, w.dataEnd, w.dataEnd, "malformed", "not of the stated size")),
		},
		{
			name: "zip64 that states a negative size", packed: edited(w.packed, 43, bytes.Repeat([]byte{0xff}, 8)...),
			want: bad(unopened, 39, w.data, "malformed", "zip size 18446744073709551615"),
		},
		{
			name: "zip64 whose end record lists two files", packed: edited(w.packed, w.end64+32, 2),
			want: bad(late, w.end64, w.end, "malformed", "zip64 end record"),
		},
		{
			name: "zip64 cut in its end record", packed: cutTo(w.packed, w.end64+30),
			want: bad(late, w.end64, w.end64+30, "ends too early"),
		},
		{
			name: "zip whose end record lists two files", packed: edited(z.packed, z.end+10, 2),
			want: bad(late, z.end, z.end+22, "malformed", "zip end record"),
		},
		{
			name: "zip whose end record is elsewhere", packed: flipped(z.packed, z.end+16),
			want: bad(late, z.end, z.end+22, "malformed", "zip end record"),
		},
		{
			name: "zip without a directory", packed: joined(z.packed[:z.directory], z.packed[z.end:]),
			want: bad(late, z.directory, z.directory, "malformed", "lists 0 of 1 members"),
		},
	}
}
