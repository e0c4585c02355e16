package partition

import "io"

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

// Occupied tells what a medium holds that would be lost if it were overwritten.
func Occupied(medium io.ReaderAt, sizeBytes int64, table *Table) ([]Holding, error) {
	return []Holding{{Holds: HoldsUnknown}}, nil
}
