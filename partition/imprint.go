package partition

import (
	"errors"
	"io"
	"time"
)

// ErrNoImprint tells that a medium holds something of which no one can tell whether it was written to.
var ErrNoImprint = errors.New("nothing on the medium tells whether it was written to")

// An Imprint tells whether a medium was written to since it was taken.
type Imprint struct {
	Identity    string   `json:"identity"`
	Digest      string   `json:"digest"`
	TableDigest string   `json:"table_digest"`
	SizeBytes   int64    `json:"size_bytes"`
	Volumes     []Volume `json:"volumes"`
}

// A Volume is one part of an imprint: a partition, or the file system of the whole medium.
type Volume struct {
	Number      int        `json:"number"` // 0: the whole medium
	Kind        string     `json:"kind"`   // empty where no file system is known
	Label       string     `json:"label"`
	UUID        string     `json:"uuid"`
	StartBytes  uint64     `json:"start_bytes"`
	LengthBytes uint64     `json:"length_bytes"`
	Digest      string     `json:"digest"`
	Mounts      int64      `json:"mounts"`
	WrittenAt   *time.Time `json:"written_at"`
}

// TakeImprint takes the imprint of a medium.
func TakeImprint(medium io.ReaderAt, table *Table) (*Imprint, error) { return nil, ErrNoImprint }

// Changes tells what was changed.
func (then *Imprint) Changes(now *Imprint) []string { return nil }
