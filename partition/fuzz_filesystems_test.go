package partition_test

import (
	"bytes"
	"encoding/binary"
	"os"
	"slices"
	"strings"
	"testing"

	"cardwright/partition"
)

// A signature is what a probe asks for first: the text at that place. What is fuzzed lies from fieldsAt on.
type signature struct {
	fieldsAt, at int
	text         string
}

// A seed is what a fuzzer starts from: fields that are recognised as a kind, and a label that shows how far the decoder came,
// where the fixture has one within the seed.
type seed struct {
	signature
	kind, label string
	fields      []byte
}

// whole lays fuzzed fields and the signature over a medium.
func (s signature) whole(fields []byte) []byte {
	content := make([]byte, max(s.fieldsAt+len(fields), s.at+len(s.text)))
	copy(content[s.fieldsAt:], fields)
	copy(content[s.at:], s.text)
	return content
}

// partitioned lays the same into a partition.
func (s signature) partitioned(fields []byte) []byte {
	medium := make([]byte, 4096, 4096+len(fields))
	putMBR(medium, 1, entry{0, 0x83, 8, 40960})
	return append(medium, s.whole(fields)...)
}

// fixtureSeed is the start of a stored file system. Seeds are short, as long ones make a fuzzer slow.
func fixtureSeed(t testing.TB, s signature, kind, label string) seed {
	t.Helper()
	content := expand(t, "filesystems/"+kind+".zst")[s.fieldsAt:]
	return seed{s, kind, label, content[:min(len(content), 6<<10)]}
}

func fatSignature() signature { return signature{0, 510, "\x55\xaa"} }

// fatSeeds ends with one whose label's directory is moved close to the boot sector, within a short seed's reach.
func fatSeeds(t testing.TB) []seed {
	near := expand(t, "filesystems/fat32.zst")[:2048]
	near[14], near[16] = 1, 1                   // one reserved sector, one FAT
	binary.LittleEndian.PutUint32(near[36:], 1) // of one sector
	copy(near[1024:], "ROOT       \x08")
	return []seed{
		fixtureSeed(t, fatSignature(), "fat12", ""), fixtureSeed(t, fatSignature(), "fat16", ""),
		fixtureSeed(t, fatSignature(), "fat32", "BOOTSECT"),
		{fatSignature(), "fat32", "ROOT", near},
	}
}

func extSeeds(t testing.TB) []seed {
	s := signature{0x400, 0x438, "\x53\xef"}
	return []seed{fixtureSeed(t, s, "ext2", ""), fixtureSeed(t, s, "ext3", ""), fixtureSeed(t, s, "ext4", "")}
}

// luksSecondSignature is that of the second header, which counts where the first is lost.
func luksSecondSignature() signature { return signature{0x4000, 0x4000, "SKUL\xba\xbe"} }

func luksSeeds(t testing.TB) []seed {
	s := signature{0, 0, "LUKS\xba\xbe"}
	return []seed{fixtureSeed(t, s, "luks1", ""), fixtureSeed(t, s, "luks2", "")}
}

func luksSecondSeeds(t testing.TB) []seed {
	second := bytes.Clone(expand(t, "filesystems/luks2.zst")[:512])
	binary.BigEndian.PutUint64(second[0x100:], 0x4000)
	return []seed{{luksSecondSignature(), "luks2", "", second}}
}

// exfatSeeds ends with one of clusters of one sector from the second on, the root directory in the first of them.
func exfatSeeds(t testing.TB) []seed {
	s := signature{0, 3, "EXFAT   "}
	near := expand(t, "filesystems/exfat.zst")[:2048]
	near[0x6D] = 0
	binary.LittleEndian.PutUint32(near[0x50:], 2)
	binary.LittleEndian.PutUint32(near[0x58:], 1)
	binary.LittleEndian.PutUint32(near[0x60:], 2)
	copy(near[512:], "\x85\x00\x00")
	copy(near[544:], "\x83\x02a\x00b\x00")
	return []seed{fixtureSeed(t, s, "exfat", ""), {s, "exfat", "ab", near}}
}

// ntfsSeeds ends with one whose file table is moved to cluster 0, so that its record of the volume is the fourth KiB.
func ntfsSeeds(t testing.TB) []seed {
	s := signature{0, 3, "NTFS    "}
	whole := expand(t, "filesystems/ntfs.zst")
	table := binary.LittleEndian.Uint64(whole[0x30:]) * uint64(whole[0x0D]) * 512
	near := append(bytes.Clone(whole[:3072]), whole[table+3072:][:1024]...)
	binary.LittleEndian.PutUint64(near[0x30:], 0)
	return []seed{fixtureSeed(t, s, "ntfs", ""), {s, "ntfs", "Nüt fs", near}}
}

func xfsSeeds(t testing.TB) []seed {
	return []seed{fixtureSeed(t, signature{0, 0, "XFSB"}, "xfs", "")}
}

func btrfsSeeds(t testing.TB) []seed {
	return []seed{fixtureSeed(t, signature{0x10000, 0x10040, "_BHRfS_M"}, "btrfs", "")}
}

// f2fsSeeds ends with one that shows its second superblock alone, as the first names blocks of an impossible size.
func f2fsSeeds(t testing.TB) []seed {
	s := signature{0x400, 0x400, "\x10\x20\xf5\xf2"}
	first := fixtureSeed(t, s, "f2fs", "")
	second := first
	second.fields = bytes.Clone(first.fields)
	second.fields[0x10] = 0xFF
	return []seed{first, second}
}

func squashfsSeeds(t testing.TB) []seed {
	return []seed{fixtureSeed(t, signature{0, 0, "hsqs"}, "squashfs", "")}
}

func erofsSeeds(t testing.TB) []seed {
	return []seed{fixtureSeed(t, signature{0x400, 0x400, "\xe2\xe1\xf5\xe0"}, "erofs", "")}
}

// swapSeeds ends with one that a big-endian machine made.
func swapSeeds(t testing.TB) []seed {
	s := signature{0x400, 4086, "SWAPSPACE2"}
	big := make([]byte, 64)
	big[3], big[7] = 1, 7
	copy(big[0x1C:], "far")
	return []seed{fixtureSeed(t, s, "swap", ""), {s, "swap", "far", big}}
}

func isoSeeds(t testing.TB) []seed {
	return []seed{fixtureSeed(t, signature{0x8000, 0x8001, "CD001"}, "iso9660", "")}
}

// fuzzFileSystem mutates what lies around each kind's signature, in a partition and on the whole medium.
func fuzzFileSystem(f *testing.F, seeds []seed) {
	f.Helper()
	for _, s := range seeds {
		f.Add(s.fields)
	}
	s := seeds[0].signature
	f.Fuzz(func(t *testing.T, fields []byte) {
		whole, within := soundly(t, s.whole(fields), 64*mib, 512), soundly(t, s.partitioned(fields), 64*mib, 512)
		if whole.Kind != partition.SchemeNone || len(within.Partitions) != 1 {
			return // the fields make a table of their own, or the partition's table is gone
		}
		if first := within.Partitions[0].FileSystem; (whole.FileSystem == nil) != (first == nil) {
			t.Errorf("on the whole medium %+v, in a partition %+v", whole.FileSystem, first)
		}
	})
}

func FuzzFAT(f *testing.F)        { fuzzFileSystem(f, fatSeeds(f)) }
func FuzzExt(f *testing.F)        { fuzzFileSystem(f, extSeeds(f)) }
func FuzzLUKS(f *testing.F)       { fuzzFileSystem(f, luksSeeds(f)) }
func FuzzLUKSSecond(f *testing.F) { fuzzFileSystem(f, luksSecondSeeds(f)) }
func FuzzExFAT(f *testing.F)      { fuzzFileSystem(f, exfatSeeds(f)) }
func FuzzNTFS(f *testing.F)       { fuzzFileSystem(f, ntfsSeeds(f)) }
func FuzzXFS(f *testing.F)        { fuzzFileSystem(f, xfsSeeds(f)) }
func FuzzBtrfs(f *testing.F)      { fuzzFileSystem(f, btrfsSeeds(f)) }
func FuzzF2FS(f *testing.F)       { fuzzFileSystem(f, f2fsSeeds(f)) }
func FuzzSquashfs(f *testing.F)   { fuzzFileSystem(f, squashfsSeeds(f)) }
func FuzzEROFS(f *testing.F)      { fuzzFileSystem(f, erofsSeeds(f)) }
func FuzzSwap(f *testing.F)       { fuzzFileSystem(f, swapSeeds(f)) }
func FuzzISO9660(f *testing.F)    { fuzzFileSystem(f, isoSeeds(f)) }

// TestEverySeedIsRecognised shows that mutation starts within each kind's decoder. A kind or a fixture without a seed would
// be fuzzed from nothing, and no one would notice.
func TestEverySeedIsRecognised(t *testing.T) {
	seeds := slices.Concat(fatSeeds(t), extSeeds(t), luksSeeds(t), luksSecondSeeds(t), exfatSeeds(t), ntfsSeeds(t), xfsSeeds(t),
		btrfsSeeds(t), f2fsSeeds(t), squashfsSeeds(t), erofsSeeds(t), swapSeeds(t), isoSeeds(t))
	seeded := map[string]bool{}
	for _, s := range seeds {
		seeded[s.kind] = true
		whole, within := inspectSized(t, s.whole(s.fields), 64*mib, 512), inspectSized(t, s.partitioned(s.fields), 64*mib, 512)
		if len(within.Partitions) != 1 {
			t.Fatalf("%s: %+v", s.kind, within)
		}
		for _, fs := range []*partition.FileSystem{whole.FileSystem, within.Partitions[0].FileSystem} {
			if fs == nil || fs.Kind != s.kind || s.label != "" && fs.Label != s.label {
				t.Errorf("the seed of %s %q is read as %+v", s.kind, s.label, fs)
			}
		}
	}
	files, err := os.ReadDir("testdata/filesystems")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d fixtures, %v", len(files), err)
	}
	for _, file := range files {
		if name, _, _ := strings.Cut(file.Name(), "."); !seeded[name] || !slices.Contains(kinds(), name) {
			t.Errorf("the fixture %s seeds no fuzzer, or is of no known kind", name)
		}
	}
	if len(seeded) != len(kinds()) {
		t.Errorf("%d of %d kinds have a seed", len(seeded), len(kinds()))
	}
}
