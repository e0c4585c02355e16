package partition

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// An Imprint tells whether a medium was written to since it was taken: it covers the table and, of each file system, what changes
// when files are written or when a Linux system mounts it for writing. Reading changes nothing of it. It has a form of its own:
// no byte of a file is in it.
//
// Of an exFAT the folders are not covered: a file below one that is overwritten in place, with no cluster more or less, is not seen.
type Imprint struct {
	Identity    string   `json:"identity"`     // SHA-256 over what stays through boots: table kind and id, kind and UUID of each volume
	Digest      string   `json:"digest"`       // SHA-256 over all that is covered: equal only where nothing was written
	TableDigest string   `json:"table_digest"` // SHA-256 over the sectors of the table itself
	SizeBytes   int64    `json:"size_bytes"`   // of the medium
	Volumes     []Volume `json:"volumes"`      // never nil
}

// A Volume is one part of an imprint: a partition, or the file system of the whole medium.
type Volume struct {
	Number      int        `json:"number"` // 0: the whole medium
	Kind        string     `json:"kind"`   // empty where no file system is known
	Label       string     `json:"label"`
	UUID        string     `json:"uuid"`
	StartBytes  uint64     `json:"start_bytes"`
	LengthBytes uint64     `json:"length_bytes"`
	Digest      string     `json:"digest"`     // SHA-256 over what is covered of this volume
	Mounts      int64      `json:"mounts"`     // for writing, since the last check, as ext2/3/4 count them; else 0
	WrittenAt   *time.Time `json:"written_at"` // the last write as ext2/3/4 note it; else nil
}

// mostImprintBytes bounds what is read for an imprint. An ordinary board image takes about 1 MiB.
const mostImprintBytes = 64 << 20

// TakeImprint takes the imprint of a medium whose table Inspect has just read. The error is a failed read (*ReadError), a table of
// no medium (ErrSectorSize), or ErrNoImprint: better none than one that misses a write.
func TakeImprint(medium io.ReaderAt, table *Table) (*Imprint, error) {
	reader, err := newSparingReader(medium, table, mostImprintBytes)
	if err != nil {
		return nil, err
	}
	now, err := takeImprint(reader, table)
	if errors.Is(err, errReadEnough) {
		return nil, ErrNoImprint
	}
	return now, err
}

func takeImprint(reader *sectorReader, table *Table) (*Imprint, error) {
	parts, all := table.parts(reader)
	if !all {
		return nil, ErrNoImprint
	}
	now := &Imprint{SizeBytes: table.SizeBytes, Volumes: []Volume{}}
	var err error
	if now.TableDigest, err = digestOf(reader, func() error { return readTable(reader, table) }); err != nil {
		return nil, err
	}
	for i := range parts {
		v, err := parts[i].imprint(reader)
		if err != nil {
			return nil, err
		}
		now.Volumes = append(now.Volumes, v)
	}
	now.sum(table)
	return now, nil
}

// sum computes the two digests of the whole. Their first lines tell them from those of an imprint that covers something else.
func (i *Imprint) sum(table *Table) {
	var stays, all strings.Builder
	fmt.Fprintf(&stays, "imprint identity 1\n%s %s\n", table.Kind, table.ID)
	for _, v := range i.Volumes {
		fmt.Fprintf(&stays, "%d %q %q\n", v.Number, v.Kind, v.UUID)
	}
	i.Identity = digestText(stays.String())
	fmt.Fprintf(&all, "imprint 1\n%s\n%d %s\n", i.Identity, i.SizeBytes, i.TableDigest)
	for _, v := range i.Volumes {
		fmt.Fprintf(&all, "%d %q %d %d %s\n", v.Number, v.Label, v.StartBytes, v.LengthBytes, v.Digest)
	}
	i.Digest = digestText(all.String())
}

func digestText(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

// digestOf gives the digest over all that is read meanwhile.
func digestOf(reader *sectorReader, read func() error) (string, error) {
	reader.digest = sha256.New()
	defer func() { reader.digest = nil }()
	if err := read(); err != nil {
		return "", err
	}
	return hex.EncodeToString(reader.digest.Sum(nil)), nil
}

// readTable reads what Inspect reads of the table: boot records, or both copies of a GPT. It leaves out where Inspect looks for
// remains of another table, since that may be the place of files; without a table, so is all of the medium.
func readTable(reader *sectorReader, table *Table) error {
	if table.Kind == SchemeNone {
		return nil
	}
	in := &inspection{medium: reader, table: &Table{SectorBytes: table.SectorBytes, SizeBytes: table.SizeBytes}, told: map[string]int{}}
	record, err := in.bootRecord(nil)
	switch {
	case err != nil:
		return err
	case table.Kind == SchemeMBR && record == nil: // the medium is not what it was a moment ago
		return ErrNoImprint
	case table.Kind == SchemeMBR:
		return in.takeMBR(record)
	default:
		return in.takeTable(record, nil)
	}
}
