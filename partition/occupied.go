package partition

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

// Holds says whether a medium or a part of it has something on it that would be lost.
type Holds string

// What there may be. Unknown stands for whatever could not be told: it is to be treated as files.
const (
	HoldsNothing Holds = "nothing"
	HoldsFiles   Holds = "files"
	HoldsUnknown Holds = "unknown"
)

// A Holding is what one part of a medium holds.
type Holding struct {
	Partition int    // 0: the whole medium
	Kind      string // of the file system, empty where none is known
	Label     string
	Holds     Holds
	Evidence  string // what was seen, or what was looked at
}

// mostOccupiedBytes bounds what is read of a medium to tell what it holds: some seconds of a slow card.
const mostOccupiedBytes = 64 << 20

// Occupied tells of a medium what it holds that would be lost if it were overwritten: one Holding for each partition and for what
// lies outside of them, never none. Only what is sure to hold nothing is called nothing: file systems as they are when they were
// just made, and ranges that are blank wherever they were looked at, those beside the partitions among them. The table is the
// medium's own, as Inspect reads it. A read that fails is an error (*ReadError), never nothing.
func Occupied(medium io.ReaderAt, sizeBytes int64, table *Table) ([]Holding, error) {
	if table == nil || table.SizeBytes != sizeBytes {
		return []Holding{{Holds: HoldsUnknown, Evidence: "the medium's table is not known"}}, nil
	}
	reader, err := newSparingReader(medium, table, mostOccupiedBytes)
	if err != nil {
		return nil, err
	}
	holdings := doubts(table)
	parts, all := table.parts(reader)
	for i := range parts {
		h, err := parts[i].holding()
		if err != nil {
			return nil, err
		}
		holdings = append(holdings, h)
	}
	for _, gap := range table.gaps(reader) {
		h, err := gap.holding()
		if err != nil {
			return nil, err
		}
		if h.Holds != HoldsNothing {
			h.Evidence = "beside the partitions: " + h.Evidence
			holdings = append(holdings, h)
		}
	}
	if !all || len(holdings) == 0 {
		holdings = append(holdings, Holding{Holds: HoldsUnknown, Evidence: "not every partition could be looked at"})
	}
	return holdings, nil
}

// doubts turns findings about the table into holdings. A table that is not sound may miss what lies on the medium, and so may one
// beside which an older one was left.
func doubts(table *Table) []Holding {
	harmless := []string{
		"partition-not-on-4mib", "unpartitioned", "nothing-recognised", "table-empty", "type-content-mismatch", "iso-hybrid",
		"hybrid-mbr", "gpt-backup-not-at-end",
	}
	var holdings []Holding
	for _, f := range table.Findings {
		if !slices.Contains(harmless, f.Code) {
			holdings = append(holdings, Holding{Holds: HoldsUnknown, Evidence: fmt.Sprintf("%s: %s", f.Code, f.Evidence)})
		}
	}
	return holdings
}

// holding looks into one part.
func (p *part) holding() (Holding, error) {
	h := Holding{Partition: p.number, Kind: p.kind()}
	if p.fs != nil {
		h.Label = p.fs.Label
	}
	var err error
	switch h.Kind {
	case "":
		h.Holds, h.Evidence, err = blank(p.volume)
	case "fat12", "fat16", "fat32":
		h.Holds, h.Evidence, err = fatHolds(p.volume)
	case "exfat":
		h.Holds, h.Evidence, err = exfatHolds(p.volume)
	case "ext2", "ext3", "ext4":
		h.Holds, h.Evidence, err = extHolds(p.volume)
	default:
		h.Holds, h.Evidence = HoldsUnknown, "file systems of this kind are not looked into"
	}
	if errors.Is(err, errReadEnough) {
		h.Holds, h.Evidence, err = HoldsUnknown, err.Error(), nil
	}
	return h, err
}

// unknown is the answer where something could not be told.
func unknown(format string, values ...any) (Holds, string, error) {
	return HoldsUnknown, fmt.Sprintf(format, values...), nil
}
