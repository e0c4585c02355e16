package partition_test

import (
	"encoding/json"
	"math/bits"
	"reflect"
	"runtime/metrics"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// What an inspection stays within, whatever the medium holds.
const (
	// mostReads is what the whole medium and 256 partitions may take: 10 reads for LUKS, 6 for swap, 32 for ISO 9660, 64 for
	// the label of each of exFAT and FAT, and a dozen more; and what boot records and GPT copies take.
	mostReads      = 50_000
	mostAskedBytes = 256 << 20
	// mostSpareBytes is what may be allocated beside the buffers that are read into.
	mostSpareBytes = 64 << 20
	mostPartitions = 8192 // as many entries of 128 bytes lie in 1 MiB
	mostFindings   = 400
	mostOfOneCode  = 17
	// mostTime is far more than any inspection in memory takes, and far less than a loop without end.
	mostTime = 20 * time.Second
)

// soundly inspects hostile content and holds what must be true of any result.
func soundly(t testing.TB, content []byte, sizeBytes, sectorBytes int64) *partition.Table {
	t.Helper()
	table := boundedly(t, content, sizeBytes, sectorBytes)
	if again := inspectSized(t, content, sizeBytes, sectorBytes); !reflect.DeepEqual(table, again) {
		t.Errorf("the same medium reads otherwise the second time: %s", cmp.Diff(table, again))
	}
	if table.SizeBytes != sizeBytes || !slices.Contains([]int64{sectorBytes, 512, 4096}, table.SectorBytes) {
		t.Errorf("%d bytes, sectors of %d bytes", table.SizeBytes, table.SectorBytes)
	}
	plausiblePartitions(t, table)
	plausibleFileSystem(t, table.FileSystem)
	plausibleFindings(t, table)
	survivesJSON(t, table)
	if differences := partition.Compare(table, table); len(differences) != 0 {
		t.Errorf("a table differs from itself: %+v", differences)
	}
	for _, length := range []int64{1, 4 << 20, 1<<63 - 1} {
		if table.Locate(0, length) == "" || table.Locate(sizeBytes/2, length) == "" {
			t.Error("a range has no place")
		}
	}
	return table
}

// boundedly holds an inspection to its bounds. The medium itself refuses what is not whole sectors inside it.
func boundedly(t testing.TB, content []byte, sizeBytes, sectorBytes int64) *partition.Table {
	t.Helper()
	medium := &strictMedium{t: t, content: content, sizeBytes: sizeBytes, sectorBytes: sectorBytes}
	before, start := allocatedBytes(), time.Now()
	table, err := partition.Inspect(medium, sizeBytes, sectorBytes)
	taken, allocated := time.Since(start), int64(allocatedBytes()-before)
	if err != nil {
		t.Fatal(err)
	}
	if medium.reads > mostReads || medium.askedBytes > mostAskedBytes {
		t.Errorf("%d reads of %d bytes in all", medium.reads, medium.askedBytes)
	}
	if allocated > medium.askedBytes+mostSpareBytes {
		t.Errorf("%d bytes were allocated to read %d", allocated, medium.askedBytes)
	}
	if taken > mostTime {
		t.Errorf("it took %v", taken)
	}
	return table
}

// allocatedBytes is what was ever allocated, freed or not.
func allocatedBytes() uint64 {
	samples := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(samples)
	return samples[0].Value.Uint64()
}

func plausiblePartitions(t testing.TB, table *partition.Table) {
	t.Helper()
	if len(table.Partitions) > mostPartitions {
		t.Errorf("%d partitions", len(table.Partitions))
	}
	kinds := []partition.Scheme{partition.SchemeMBR, partition.SchemeGPT, partition.SchemeHybrid, partition.SchemeNone}
	if !slices.Contains(kinds, table.Kind) || (table.Kind == partition.SchemeNone && len(table.Partitions) > 0) {
		t.Errorf("%q with %d partitions", table.Kind, len(table.Partitions))
	}
	numbers := map[int]bool{}
	for _, p := range table.Partitions {
		if p.Number < 1 || p.Number > mostPartitions || numbers[p.Number] || !isType(p.Type) {
			t.Errorf("%+v", p)
		}
		numbers[p.Number] = true
		if _, carry := bits.Add64(p.StartLBA, max(p.Sectors, 1)-1, 0); carry != 0 {
			t.Errorf("partition %d from LBA %d wraps around after %d sectors", p.Number, p.StartLBA, p.Sectors)
		}
		plausibleFileSystem(t, p.FileSystem)
	}
}

// isType tells whether a partition's type is two hexadecimal digits in lower case, or a GUID in upper case.
func isType(text string) bool {
	if len(text) == 2 {
		return strings.Trim(text, "0123456789abcdef") == ""
	}
	return len(text) == 36 && strings.Trim(text, "0123456789ABCDEF-") == "" && strings.Count(text, "-") == 4
}

// kinds are the file systems that are recognised, as docs/json.md lists them.
func kinds() []string {
	return []string{
		"fat12", "fat16", "fat32", "exfat", "ext2", "ext3", "ext4", "squashfs", "btrfs", "xfs", "f2fs", "iso9660", "swap",
		"luks1", "luks2", "erofs", "ntfs",
	}
}

func plausibleFileSystem(t testing.TB, fs *partition.FileSystem) {
	t.Helper()
	if fs == nil {
		return
	}
	if !slices.Contains(kinds(), fs.Kind) || fs.SizeBytes < 0 || !utf8.ValidString(fs.Label+fs.UUID) {
		t.Errorf("%+v", *fs)
	}
}

// plausibleFindings wants few findings, each with texts that a terminal may be given as they are.
func plausibleFindings(t testing.TB, table *partition.Table) {
	t.Helper()
	if len(table.Findings) > mostFindings {
		t.Errorf("%d findings", len(table.Findings))
	}
	told := map[string]int{}
	severities := []partition.Severity{partition.Information, partition.Warning, partition.Fault}
	for _, f := range table.Findings {
		if told[f.Code]++; told[f.Code] > mostOfOneCode {
			t.Errorf("%s is told %d times", f.Code, told[f.Code])
		}
		plain := strings.Trim(f.Code, "abcdefghijklmnopqrstuvwxyz0123456789-") == ""
		if f.Code == "" || !plain || !slices.Contains(severities, f.Severity) || f.Sentence == "" {
			t.Errorf("%+v", f)
		}
		for _, r := range f.Sentence + f.Evidence {
			if r == utf8.RuneError && !utf8.ValidString(f.Sentence+f.Evidence) || unicode.IsControl(r) {
				t.Errorf("%q", f)
				break
			}
		}
	}
}

// survivesJSON wants a table to come back from its document as it was, since that is what the logbook keeps.
func survivesJSON(t testing.TB, table *partition.Table) {
	t.Helper()
	document, err := json.Marshal(table)
	if err != nil {
		t.Fatal(err)
	}
	var back partition.Table
	if err := json.Unmarshal(document, &back); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(table, &back) {
		t.Error(cmp.Diff(table, &back))
	}
}

// compareFairly holds what must be true of any two tables, and says whether they differ: one is as far from the other as the
// other from it, what one lacks the other has too many, and the number of findings follows from that of partitions.
func compareFairly(t testing.TB, one, other *partition.Table) (differ bool) {
	t.Helper()
	there, back := partition.Compare(one, other), partition.Compare(other, one)
	if most := 4 + 2*(len(one.Partitions)+len(other.Partitions)); len(there) > most {
		t.Errorf("%d differences, more than %d", len(there), most)
	}
	counts := func(findings []partition.Finding) map[string]int {
		all := map[string]int{}
		for _, f := range findings {
			all[f.Code]++
		}
		return all
	}
	turned := counts(back)
	const missing, added = "card-partition-missing", "card-partition-added"
	turned[missing], turned[added] = turned[added], turned[missing]
	for code, n := range turned {
		if counts(there)[code] != n {
			t.Errorf("%s is told %d times one way and %d times the other", code, counts(there)[code], n)
		}
	}
	if len(there) != len(back) {
		t.Errorf("%d differences one way and %d the other", len(there), len(back))
	}
	return len(there) > 0
}

// agree says whether two tables are the same in all that a comparison is about: not in the size of the medium, nor in what
// follows from it.
func agree(one, other *partition.Table) bool {
	bare := func(t *partition.Table) partition.Table {
		b := *t
		b.SizeBytes, b.Findings = 0, nil
		if b.Kind == partition.SchemeNone {
			b.SectorBytes = 0
		}
		return b
	}
	return reflect.DeepEqual(bare(one), bare(other))
}
