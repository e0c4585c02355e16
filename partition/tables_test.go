package partition_test

import (
	"encoding/json"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/partition"
)

// sfdiskTable is the document of `sfdisk -J`, util-linux 2.38.1.
type sfdiskTable struct {
	Table struct {
		Label      string `json:"label"`
		ID         string `json:"id"`
		SectorSize int64  `json:"sectorsize"`
		Partitions []struct {
			Node     string `json:"node"`
			Start    uint64 `json:"start"`
			Size     uint64 `json:"size"`
			Type     string `json:"type"`
			UUID     string `json:"uuid"`
			Name     string `json:"name"`
			Attrs    string `json:"attrs"`
			Bootable bool   `json:"bootable"`
		} `json:"partitions"`
	} `json:"partitiontable"`
}

// matchSfdisk holds a table against sfdisk's words for the same medium.
func matchSfdisk(t *testing.T, document []byte, got *partition.Table) {
	t.Helper()
	var theirs sfdiskTable
	if err := json.Unmarshal(document, &theirs); err != nil {
		t.Fatal(err)
	}
	want := []partition.Partition{}
	digits := regexp.MustCompile(`[0-9]+$`)
	for _, p := range theirs.Table.Partitions {
		number, err := strconv.Atoi(digits.FindString(p.Node))
		if err != nil {
			t.Fatal(err)
		}
		kind := p.Type
		if theirs.Table.Label == "dos" && len(kind) == 1 {
			kind = "0" + kind
		}
		want = append(want, partition.Partition{
			Number: number, StartLBA: p.Start, Sectors: p.Size, Type: kind, Name: p.Name, GUID: p.UUID,
			Boot: p.Bootable || strings.Contains(p.Attrs, "LegacyBIOSBootable"),
		})
	}
	if diff := cmp.Diff(want, got.Partitions); diff != "" {
		t.Error(diff)
	}
	id := strings.TrimPrefix(theirs.Table.ID, "0x")
	kinds := map[string]partition.Scheme{"dos": partition.SchemeMBR, "gpt": partition.SchemeGPT}
	if got.ID != id || got.Kind != kinds[theirs.Table.Label] || got.SectorBytes != theirs.Table.SectorSize {
		t.Errorf("got %s %s %d, want %s %s %d", got.Kind, got.ID, got.SectorBytes, theirs.Table.Label, id, theirs.Table.SectorSize)
	}
}

func TestTablesReadAsSfdiskReadsThem(t *testing.T) {
	for _, name := range []string{"logicals", "guid"} {
		t.Run(name, func(t *testing.T) {
			document, err := os.ReadFile("testdata/tables/" + name + ".json")
			if err != nil {
				t.Fatal(err)
			}
			content := expand(t, "tables/"+name+".zst")
			table := inspect(t, content)
			matchSfdisk(t, document, table)
			for _, f := range table.Findings {
				if f.Severity != partition.Information {
					t.Errorf("a clean table has %+v", f)
				}
			}
			if !partition.Recognise(content[:128<<10]) {
				t.Error("not recognised by its first bytes")
			}
		})
	}
}

func TestGUIDTableReadsAsSgdiskReadsIt(t *testing.T) {
	text, err := os.ReadFile("testdata/tables/guid.txt")
	if err != nil {
		t.Fatal(err)
	}
	matchSgdisk(t, string(text), inspect(t, expand(t, "tables/guid.zst")))
}

// matchSgdisk holds numbers, places and names against the listing of `sgdisk -p`, gdisk 1.0.9.
func matchSgdisk(t *testing.T, listing string, table *partition.Table) {
	t.Helper()
	row := regexp.MustCompile(`(?m)^ +(\d+) +(\d+) +(\d+) +[\d.]+ \w+ +(\w{4}) +(.*)$`)
	rows := row.FindAllStringSubmatch(listing, -1)
	if len(rows) == 0 || len(rows) != len(table.Partitions) {
		t.Fatalf("%d rows, %d partitions", len(rows), len(table.Partitions))
	}
	for i, p := range table.Partitions {
		want := rows[i]
		got := []string{
			want[0], strconv.Itoa(p.Number), strconv.FormatUint(p.StartLBA, 10), strconv.FormatUint(p.StartLBA+p.Sectors-1, 10),
			want[4], p.Name,
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	}
	if !strings.Contains(listing, "Disk identifier (GUID): "+table.ID+"\n") {
		t.Errorf("disk GUID %s is not the listing's", table.ID)
	}
}
