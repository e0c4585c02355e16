package partition_test

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"cardwright/partition"
)

// A badTable is a medium whose content means harm: what it is taken for, and the codes of all its findings.
type badTable struct {
	name      string
	content   []byte
	sizeBytes int64 // 0: as long as the content
	kind      partition.Scheme
	holds     string // the file system of the whole medium, else of its first partition: kind, size and label
	codes     string // of all but where partitions start, which harms nobody; each once, in the order of the alphabet
}

// judged inspects one such medium, by itself and through an excerpt that saw it pass.
func (c badTable) judged(t *testing.T) *partition.Table {
	t.Helper()
	before := bytes.Clone(c.content)
	table := soundly(t, c.content, c.size(), 512)
	if table.Kind != c.kind || codesOf(table) != c.codes || holding(table) != c.holds {
		t.Errorf("kind %s, holds %q, findings %s\nwant  %s, holds %q, findings %s",
			table.Kind, holding(table), codesOf(table), c.kind, c.holds, c.codes)
	}
	behind := &strictMedium{t: t, content: c.content, sizeBytes: c.size(), sectorBytes: 512}
	wantSame(t, table, streamPast(c.content).View(behind), c.size())
	if !bytes.Equal(before, c.content) {
		t.Error("the medium's bytes were changed")
	}
	return table
}

func (c badTable) size() int64 { return cmp.Or(c.sizeBytes, int64(len(c.content))) }

// places lists the reads that an inspection asks for.
func (c badTable) places(t *testing.T) string {
	t.Helper()
	medium := &placesRead{ReaderAt: &strictMedium{t: t, content: c.content, sizeBytes: c.size(), sectorBytes: 512}}
	if _, err := partition.Inspect(medium, c.size(), 512); err != nil {
		t.Fatal(err)
	}
	return medium.places.String()
}

// placesRead writes down where it is read.
type placesRead struct {
	io.ReaderAt
	places strings.Builder
}

func (p *placesRead) ReadAt(b []byte, offsetBytes int64) (int, error) {
	fmt.Fprintf(&p.places, "%d+%d ", offsetBytes, len(b))
	return p.ReaderAt.ReadAt(b, offsetBytes)
}

// failing inspects a medium once for each of its reads, with that one failing, and gives how many those were.
func (c badTable) failing(t *testing.T) (reads int) {
	t.Helper()
	const most = 250 // what reads more often reads the same places again and again
	for n := 1; n <= most; n++ {
		medium := &failAt{ReaderAt: &strictMedium{t: t, content: c.content, sizeBytes: c.size(), sectorBytes: 512}, n: n}
		table, err := partition.Inspect(medium, c.size(), 512)
		if medium.reads < n {
			return n - 1
		}
		var failed *partition.ReadError
		if !errors.As(err, &failed) || !errors.Is(err, errBroken) || table != nil {
			t.Fatalf("read %d failed: %v, %v", n, table, err)
		}
	}
	return most
}

func codesOf(table *partition.Table) string {
	var codes []string
	for _, f := range table.Findings {
		if f.Code != "partition-not-on-4mib" {
			codes = append(codes, f.Code)
		}
	}
	slices.Sort(codes)
	return strings.Join(slices.Compact(codes), " ")
}

func holding(table *partition.Table) string {
	fs := table.FileSystem
	if fs == nil && len(table.Partitions) > 0 {
		fs = table.Partitions[0].FileSystem
	}
	if fs == nil {
		return ""
	}
	return strings.TrimRight(fmt.Sprintf("%s %d %s", fs.Kind, fs.SizeBytes, fs.Label), " ")
}

// TestBadTablesAreJudged shows the inspection what a medium may hold that was made to do harm.
func TestBadTablesAreJudged(t *testing.T) {
	cases := slices.Concat(badSizes(), randomMedia(), badRecords(), badTypes(), badChains(), badGPTs(), badPlaces(), badHybrids(),
		badFATs(t), badBoots(t), badSuperblocks(t), badDescriptors(t), crowdedMedia(t))
	neighbour := &partition.Table{}
	names, walked, failures := map[string]bool{}, map[string]bool{}, 0
	for _, c := range cases {
		if names[c.name] {
			t.Errorf("two cases are named %s", c.name)
		}
		names[c.name] = true
		t.Run(c.name, func(t *testing.T) {
			table := c.judged(t)
			if differ := compareFairly(t, neighbour, table); differ == agree(neighbour, table) {
				t.Errorf("that it differs from the case before is told: %t", differ)
			}
			neighbour = table
			occupiedSoundly(t, c.content, table)
			imprintSoundly(t, c.content, table)
			if places := c.places(t); !walked[places] { // those that read the same places need not fail twice
				walked[places] = true
				failures += c.failing(t)
			}
		})
	}
	t.Logf("bad tables: %d cases", len(cases))
	t.Logf("bad tables: %d failed reads", failures)
}

// badSizes are media too small for anything.
func badSizes() (all []badTable) {
	for _, size := range []int64{1, 511, 512, 513, 1023, 1024, 4095, 4096} {
		all = append(all, badTable{fmt.Sprintf("%d zero bytes", size), nil, size, partition.SchemeNone, "", "nothing-recognised"})
	}
	record := mbrMedium(1, entry{0, 0x83, 1, 1})[:512]
	return append(
		all,
		badTable{"no byte", nil, 0, partition.SchemeNone, "", "nothing-recognised"},
		badTable{"511 bytes of an MBR", record, 511, partition.SchemeNone, "", "nothing-recognised"},
		badTable{
			"an MBR and no more", record, 0, partition.SchemeMBR, "",
			"needs-larger-card partition-beyond-end",
		},
		badTable{"an MBR and 511 bytes", record, 1023, partition.SchemeMBR, "", "needs-larger-card partition-beyond-end"},
		badTable{"as large as can be", nil, math.MaxInt64, partition.SchemeNone, "", "nothing-recognised"},
		badTable{"as large as can be, with an MBR", record, math.MaxInt64, partition.SchemeMBR, "", ""},
		badTable{
			"as large as can be, with a GPT", twoParts(512).write()[:34*512], math.MaxInt64, partition.SchemeGPT, "",
			"gpt-backup-missing",
		},
	)
}

// randomMedia print their seed as their name. Without boot flags of 00 or 80h nothing passes for an MBR, and the chance of any
// signature is nil.
func randomMedia() (all []badTable) {
	for seed := range uint64(12) {
		content := make([]byte, 256<<10)
		random := rand.New(rand.NewPCG(seed, 0))
		for at := 0; at < len(content); at += 8 {
			binary.LittleEndian.PutUint64(content[at:], random.Uint64())
		}
		name := fmt.Sprintf("random bytes, seed %d", seed)
		if seed%2 == 1 {
			name += ", with 55 AA"
			for at := 510; at < len(content); at += 512 {
				content[at], content[at+1] = 0x55, 0xAA
			}
			content[446] |= 1
		}
		all = append(all, badTable{name, content, 64 * mib, partition.SchemeNone, "", "nothing-recognised"})
	}
	return all
}

// badRecords are MBRs whose entries lead everywhere at once.
func badRecords() []badTable {
	const max32 = math.MaxUint32
	medium := func(entries ...entry) []byte { return mbrMedium(1, entries...)[:1024] }
	return []badTable{
		{"empty MBR", medium(), 64 * mib, partition.SchemeMBR, "", "table-empty"},
		{"types without sectors", medium(entry{0, 0x83, 1, 0}, entry{0, 0x05, 1, 0}), 64 * mib, partition.SchemeMBR, "", "table-empty"},
		{
			"four entries, all of all sectors", medium(slices.Repeat([]entry{{0x80, 0x83, 0, max32}}, 4)...),
			64 * mib, partition.SchemeMBR, "",
			"needs-larger-card partition-beyond-end partition-covers-table partitions-overlap",
		},
		{
			"four entries at the last LBA", medium(slices.Repeat([]entry{{0, 0x83, max32, max32}}, 4)...),
			64 * mib, partition.SchemeMBR, "",
			"needs-larger-card partition-beyond-end partitions-overlap",
		},
		{"the last LBA of a medium of its size", medium(entry{0, 0x83, max32, 1}), 2 << 40, partition.SchemeMBR, "", ""},
		{"all bits set but boot flags", edited(medium(slices.Repeat([]entry{{0x80, 0xFF, max32, max32}}, 4)...), func(c []byte) {
			copy(c[440:446], bytes.Repeat([]byte{0xFF}, 6))
		}), 64 * mib, partition.SchemeMBR, "", "needs-larger-card partition-beyond-end partitions-overlap"},
		{
			"odd boot flags", medium(entry{0x81, 0x83, 1, 1}, entry{0x80, 0x83, 2, 1}),
			64 * mib, partition.SchemeNone, "", "nothing-recognised",
		},
		{
			"each entry in the one before",
			medium(entry{0, 0x83, 8192, 65536}, entry{0, 0x83, 16384, 32768}, entry{0, 0x83, 24576, 16384}, entry{0, 0x83, 32768, 1}),
			64 * mib, partition.SchemeMBR, "", "partitions-overlap",
		},
	}
}

// badTypes try every type at LBA 0, across the end, beyond it and at the last LBA.
func badTypes() (all []badTable) {
	for kind := range 256 {
		content := mbrMedium(1, entry{0, byte(kind), 0, 16}, entry{0, byte(kind), 8192, math.MaxUint32},
			entry{0, byte(kind), 1 << 24, 1}, entry{0, byte(kind), math.MaxUint32, math.MaxUint32})[:1024]
		c := badTable{
			fmt.Sprintf("type %02x everywhere", kind), content, 64 * mib, partition.SchemeMBR, "",
			"needs-larger-card partition-beyond-end partition-covers-table partitions-overlap",
		}
		switch kind {
		case 0x05, 0x0F, 0x85: // the MBR is no link of its own chain
			c.codes = "extended-chain-broken extended-chain-cut extended-chain-loop " +
				"needs-larger-card partition-beyond-end partition-covers-table partitions-overlap"
		case 0xEE:
			c.kind, c.codes = partition.SchemeGPT, "gpt-damaged"
		}
		all = append(all, c)
	}
	return all
}

// badChains are extended partitions of which a walk might never return. A link counts from the extended partition's start.
func badChains() []badTable {
	const start, sectors = 8192, 8192
	data, max32 := entry{0, 0x83, 64, 64}, uint32(math.MaxUint32)
	link := func(to uint32) entry { return entry{0, 0x05, to, 64} }
	far := func(links int, step uint32) []byte {
		ebrs := map[int][]entry{}
		for i := range uint32(links) {
			ebrs[start+int(i*step)] = []entry{{0, 0x83, 1, 1}, link((i + 1) * step)}
		}
		return extendedAt(ebrs)
	}
	odd := extendedAt(map[int][]entry{start: {{0x55, 0x83, 64, 64}, link(1024)}, start + 1024: {{0x7F, 0x83, 64, 64}}})
	two := mbrMedium(16, entry{0, 0x0F, start, sectors}, entry{0, 0x05, start, sectors})
	putMBR(two[start*512:][:512], 0, data)
	return []badTable{
		{"self loop", extendedAt(map[int][]entry{start: {data, link(0)}}), 0, partition.SchemeMBR, "", "extended-chain-loop"},
		{"self loop alone", extendedAt(map[int][]entry{start: {link(0)}}), 0, partition.SchemeMBR, "", "extended-chain-loop"},
		{
			"cycle of two", extendedAt(map[int][]entry{start: {data, link(1024)}, start + 1024: {data, link(0)}}),
			0, partition.SchemeMBR, "",
			"extended-chain-loop",
		},
		{
			"cycle behind a tail", extendedAt(map[int][]entry{
				start: {data, link(1024)}, start + 1024: {data, link(2048)}, start + 2048: {data, link(1024)},
			}),
			0, partition.SchemeMBR, "", "extended-chain-loop",
		},
		{
			"backward link", extendedAt(map[int][]entry{
				start: {data, link(4096)}, start + 4096: {data, link(1024)}, start + 1024: {data},
			}),
			0, partition.SchemeMBR, "", "",
		},
		{
			"link out of it", extendedAt(map[int][]entry{start: {data, link(sectors)}}),
			0, partition.SchemeMBR, "", "extended-chain-escape",
		},
		{
			"link to the last LBA", extendedAt(map[int][]entry{start: {data, link(max32)}}),
			0, partition.SchemeMBR, "", "extended-chain-escape",
		},
		{
			"link to nothing", extendedAt(map[int][]entry{start: {data, link(1024)}}),
			0, partition.SchemeMBR, "", "extended-chain-broken",
		},
		{"no first record", extendedAt(nil), 0, partition.SchemeMBR, "", "extended-chain-broken"},
		{"chain of 99", far(99, 2), 0, partition.SchemeMBR, "", "extended-chain-broken"},
		{"chain of 4000", far(4000, 2), 0, partition.SchemeMBR, "", "extended-chain-long"},
		{"two chains in one place", two, 0, partition.SchemeMBR, "", "extended-chain-loop partitions-overlap"},
		{"boot flags of a link", odd, 0, partition.SchemeMBR, "", "boot-flag-odd"},
		{
			"logical of all sectors", extendedAt(map[int][]entry{start: {{0, 0x83, max32, max32}}}), 0, partition.SchemeMBR, "",
			"logical-outside-extended needs-larger-card partition-beyond-end",
		},
		{
			"four links in each record", extendedAt(map[int][]entry{
				start: {link(64), link(128), link(192), link(256)}, start + 64: {link(0)},
			}),
			0, partition.SchemeMBR, "", "extended-chain-loop",
		},
		{
			"extended in all four entries", mbrMedium(16, slices.Repeat([]entry{{0, 0x05, 0, max32}}, 4)...),
			0, partition.SchemeMBR, "",
			"extended-chain-loop needs-larger-card partition-beyond-end partition-covers-table partitions-overlap",
		},
	}
}
