package partition_test

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// imprintOf takes the imprint of a medium, with zeros behind its content.
func imprintOf(t testing.TB, content []byte, sizeBytes int64) *partition.Imprint {
	t.Helper()
	medium := &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: 512}
	imprint, err := partition.TakeImprint(medium, inspectSized(t, content, sizeBytes, 512))
	if err != nil {
		t.Fatal(err)
	}
	return imprint
}

// imprinted tells of which kinds an imprint can be taken.
func imprinted(kind string) bool {
	return !slices.Contains([]string{"luks1", "luks2", "xfs", "ntfs"}, kind)
}

func TestImprintIsTakenOfEveryKindThatTells(t *testing.T) {
	for _, kind := range kinds() {
		content := expand(t, "filesystems/"+kind+".zst")
		fs, sizeBytes := storedBlkid(t, kind)
		if kind == "f2fs" { // whose checkpoints are behind what was kept
			sizeBytes = max(sizeBytes, 64*mib)
		}
		table := inspectSized(t, content, sizeBytes, 512)
		medium := &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: 512}
		imprint, err := partition.TakeImprint(medium, table)
		if !imprinted(kind) {
			if !errors.Is(err, partition.ErrNoImprint) || imprint != nil {
				t.Errorf("%s: %+v, %v", kind, imprint, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		if len(imprint.Volumes) != 1 || len(imprint.Digest) != 64 || len(imprint.Identity) != 64 || imprint.SizeBytes != sizeBytes {
			t.Fatalf("%s: %+v", kind, imprint)
		}
		v := imprint.Volumes[0]
		if v.Number != 0 || v.Kind != kind || v.Label != fs.Label || v.UUID != fs.UUID || v.LengthBytes != uint64(sizeBytes) {
			t.Errorf("%s: %+v", kind, v)
		}
		// The times in the fixtures are those of their making; dumpe2fs tells them as "Last write time".
		if hasTime := v.WrittenAt != nil; hasTime != (kind[:3] == "ext") || hasTime && (v.WrittenAt.Year() < 2020 || v.Mounts != 0) {
			t.Errorf("%s: %d mounts, written at %v", kind, v.Mounts, v.WrittenAt)
		}
	}
}

// Whatever is none of the kinds may be anything: in a partition the edges of it are covered, on a whole medium nothing is.
func TestImprintOfUnknownContent(t *testing.T) {
	const start, sectors = 8192, 40960
	content := make([]byte, (start+sectors)*512)
	putMBR(content, 7, entry{0, 0x83, start, sectors})
	then := imprintOf(t, content, int64(len(content)))
	for _, at := range []int{start * 512, start*512 + 256<<10 - 1, len(content) - 256<<10, len(content) - 1} {
		changed := bytes.Clone(content)
		changed[at] = 1
		want := []string{"the unknown content in partition 1 was written to"}
		if got := then.Changes(imprintOf(t, changed, int64(len(content)))); !slices.Equal(got, want) {
			t.Errorf("a byte at %d: %q", at, got)
		}
	}
	group := bytes.Clone(content)
	copy(group[(start+1)*512:], "LABELONE")
	for name, content := range map[string][]byte{"a volume group": group, "no table": make([]byte, mib)} {
		medium := &strictMedium{t: t, content: content, sizeBytes: int64(len(content)), sectorBytes: 512}
		imprint, err := partition.TakeImprint(medium, inspect(t, content))
		if !errors.Is(err, partition.ErrNoImprint) || imprint != nil {
			t.Errorf("%s: %+v, %v", name, imprint, err)
		}
	}
}

// boardLike is a medium with a FAT32 and an ext4, as boards have.
func boardLike(t testing.TB) []byte {
	t.Helper()
	const second = 8192 + 81920
	content := make([]byte, (second+8192)*512)
	putMBR(content, 0x5EED, entry{0x80, 0x0C, 8192, 81920}, entry{0, 0x83, second, 8192})
	copy(content[8192*512:], expand(t, "filesystems/fat32.zst"))
	copy(content[second*512:], expand(t, "filesystems/ext4.zst"))
	return content
}

func TestChangesAreToldInSentences(t *testing.T) {
	const fat, ext = 8192 * 512, (8192 + 81920) * 512
	content := boardLike(t)
	then := imprintOf(t, content, int64(len(content)))
	root := fat + fatRoot(content[fat:])
	put16, put32 := binary.LittleEndian.PutUint16, binary.LittleEndian.PutUint32
	for _, c := range []struct {
		name   string
		change func(b []byte)
		want   []string
	}{
		{"nothing", func([]byte) {}, []string{}},
		{"a file's content", func(b []byte) { b[fat+30*mib], b[ext+3*mib] = 1, 1 }, []string{}},
		{"between the partitions", func(b []byte) { b[mib] = 1 }, []string{}},
		{"a root entry", func(b []byte) { copy(b[root+32:], "CONFIG  TXT\x20") }, []string{"files were changed on the fat32 in partition 1"}},
		{"a FAT entry", func(b []byte) { b[fat+fatTable(b[fat:])+4*5000] = 1 }, []string{"files were changed on the fat32 in partition 1"}},
		{"what is free", func(b []byte) { b[fat+512+488]++ }, []string{"files were changed on the fat32 in partition 1"}},
		{"a mount of FAT under way", func(b []byte) { b[fat+0x41] = 1 }, []string{"files were changed on the fat32 in partition 1"}},
		{"one mount", func(b []byte) { b[ext+1024+0x34]++ }, []string{"the ext4 in partition 2 was mounted once since"}},
		{"mounts", func(b []byte) { b[ext+1024+0x34] += 3 }, []string{"the ext4 in partition 2 was mounted 3 times since"}},
		{"mounts and a write", func(b []byte) { b[ext+1024+0x34] += 3; put32(b[ext+1024+0x30:], 1943913600) }, []string{
			"the ext4 in partition 2 was mounted 3 times since", "the ext4 in partition 2 was last written to on 2031-08-08T00:00:00Z",
		}},
		{"a write that no calendar has", func(b []byte) { b[ext+1024+0x274] = 0xFF }, []string{"the ext4 in partition 2 was written to"}},
		{"what groups count", func(b []byte) { b[ext+2048+0x0E]-- }, []string{"the ext4 in partition 2 was written to"}},
		{"another UUID", func(b []byte) { b[ext+1024+0x68]++ }, []string{"the ext4 in partition 2 has another UUID", "the ext4 in partition 2 was written to"}},
		{"the boot code", func(b []byte) { b[100] = 1 }, []string{"its partition table was changed"}},
		{"a label with control characters", func(b []byte) { copy(b[ext+1024+0x78:], "\x1b[2Jroot\x00") }, []string{
			`the ext4 in partition 2 is labelled "?[2Jroot", before it was "sixteen-letters-"`, "the ext4 in partition 2 was written to",
		}},
		{"another file system", func(b []byte) { put16(b[ext+1024+0x38:], 0); copy(b[ext:], "hsqs"); put16(b[ext+0x1C:], 4) }, []string{
			"partition 2 holds other than what it did: squashfs, before it was ext4",
		}},
		{"a partition grown", func(b []byte) { put32(b[446+16+12:], 8100) }, []string{"its partition table was changed", "partition 2 is smaller than it was"}},
		{"a partition added", func(b []byte) { putMBR(b[:512:512], 0x5EED, entry{}, entry{}, entry{0, 0x83, 4096, 2048}) }, []string{
			"its partition table was changed", "partition 3 was added", "partition 1 is gone", "partition 2 is gone",
		}},
		{"no table", func(b []byte) { copy(b, content[fat:][:mib]) }, []string{
			"its partition table was changed", "what fills the medium was added", "partition 1 is gone", "partition 2 is gone",
		}},
	} {
		changed := bytes.Clone(content)
		c.change(changed)
		now := imprintOf(t, changed, int64(len(content)))
		if diff := cmp.Diff(c.want, then.Changes(now)); diff != "" || (now.Digest == then.Digest) != (len(c.want) == 0) {
			t.Errorf("%s: the same: %t, %s", c.name, now.Digest == then.Digest, diff)
		}
	}
	larger := imprintOf(t, content, int64(len(content))+mib)
	if got := then.Changes(larger); len(got) != 1 || larger.Identity != then.Identity {
		t.Errorf("on a larger medium: %q", got)
	}
}

// A boot leaves an imprint's identity as it is; another image has another.
func TestIdentityStaysThroughABoot(t *testing.T) {
	const ext = (8192 + 81920) * 512
	content := boardLike(t)
	then := imprintOf(t, content, int64(len(content)))
	booted := bytes.Clone(content)
	booted[ext+1024+0x34]++
	binary.LittleEndian.PutUint32(booted[446+16+12:], 8100) // a partition that was resized
	if now := imprintOf(t, booted, int64(len(content))); now.Identity != then.Identity || now.Digest == then.Digest {
		t.Errorf("%+v, then %+v", now, then)
	}
	for _, at := range []int{440, ext + 1024 + 0x68, 8192*512 + 67} { // the table's id, UUIDs
		other := bytes.Clone(content)
		other[at]++
		if now := imprintOf(t, other, int64(len(content))); now.Identity == then.Identity {
			t.Errorf("another id at byte %d is the same identity", at)
		}
	}
}

func TestImprintSurvivesTheLogbook(t *testing.T) {
	content := boardLike(t)
	imprint := imprintOf(t, content, int64(len(content)))
	document, err := json.Marshal(imprint)
	if err != nil {
		t.Fatal(err)
	}
	var read partition.Imprint
	if err := json.Unmarshal(document, &read); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(imprint, &read); diff != "" || len(read.Changes(imprint)) > 0 {
		t.Error(diff)
	}
	if at := read.Volumes[1].WrittenAt; at == nil || at.Location() != time.UTC {
		t.Errorf("written at %v", at)
	}
}

// Each read of an imprint fails in turn, on media of each kind.
func TestNoImprintBesideAFailedRead(t *testing.T) {
	board := boardLike(t)
	media := map[string][]byte{"board": board}
	for _, kind := range []string{"exfat", "btrfs", "swap", "fat16"} {
		media[kind] = expand(t, "filesystems/"+kind+".zst")
	}
	for name, content := range media {
		sizeBytes := int64(len(content))
		if name != "board" {
			_, sizeBytes = storedBlkid(t, name)
		}
		table := inspectSized(t, content, sizeBytes, 512)
		for n := 1; ; n++ {
			medium := &failAt{ReaderAt: &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: 512}, n: n}
			imprint, err := partition.TakeImprint(medium, table)
			if medium.reads < n {
				if n < 2 || err != nil {
					t.Errorf("%s: %d reads, %v", name, n-1, err)
				}
				break
			}
			var failed *partition.ReadError
			if !errors.As(err, &failed) || !errors.Is(err, errBroken) || imprint != nil {
				t.Fatalf("%s: read %d failed: %+v, %v", name, n, imprint, err)
			}
		}
	}
}

// A table made for sectors of 512 bytes lies on a medium of 4096, and the other way round: the medium refuses parts of its sectors.
func TestLooksSuitTheMediumsSectors(t *testing.T) {
	small := expand(t, "tables/guid.zst")
	large := gptLayout{sectorBytes: 4096, sectors: 2048, parts: []gptPart{{linuxData, diskGUID, "", 256, 1023, 0}}}.write()
	for _, c := range []struct {
		content     []byte
		sectorBytes int64
	}{{small, 512}, {small, 4096}, {large, 512}, {large, 4096}} {
		size := int64(len(c.content))
		table := inspectSized(t, c.content, size, c.sectorBytes)
		medium := &strictMedium{t: t, content: c.content, sizeBytes: size, sectorBytes: c.sectorBytes}
		imprint, err := partition.TakeImprint(medium, table)
		if err != nil || len(imprint.Volumes) != len(table.Partitions) || len(table.Partitions) == 0 {
			t.Errorf("%d bytes, sectors of %d: %+v, %v", size, c.sectorBytes, imprint, err)
		}
		if holdings, err := partition.Occupied(medium, size, table); err != nil || len(holdings) < len(table.Partitions) {
			t.Errorf("%d bytes, sectors of %d: %+v, %v", size, c.sectorBytes, holdings, err)
		}
	}
}
