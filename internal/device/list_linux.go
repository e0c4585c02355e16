package device

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
)

// A Listing is one disk as the list of readers shows it.
type Listing struct {
	Description
	WriteProtected bool `json:"write_protected"`
	Judgement           // without permission for fixed disks
	// AllowedWithFixedOK tells what that permission would make of it.
	AllowedWithFixedOK bool `json:"allowed_with_fixed_ok"`
}

// List gives every whole disk that could ever be a target or be taken for one, with what is on it and whether it may be
// written. Memory disks, hidden disks, hardware areas, optical and floppy drives and loop devices without a file are left out.
func List(ctx context.Context, roots Roots) ([]Listing, error) {
	roots = roots.withDefaults()
	s, err := ReadSnapshot(roots)
	if err != nil {
		return nil, err
	}
	if s.wakeAll(roots) {
		if s, err = ReadSnapshot(roots); err != nil {
			return nil, err
		}
	}
	listings := []Listing{}
	for i := range s.Disks {
		d := &s.Disks[i]
		if neverOffered(d) || (d.Transport == TransportLoop && !d.Attached) {
			continue
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		listings = append(listings, s.listing(ctx, d, roots))
	}
	return listings, nil
}

func (s *Snapshot) listing(ctx context.Context, d *Disk, roots Roots) Listing {
	l := Listing{Description: s.known(d, roots), WriteProtected: d.ReadOnly, Judgement: Judge(s, d, Policy{})}
	l.AllowedWithFixedOK = Judge(s, d, Policy{FixedOK: true}).Allowed
	if d.SizeBytes == 0 {
		return l
	}
	// Open looks the node up by number, so a node that belongs to another disk is never read as this one.
	c, err := Open(ctx, l.Node, Options{ReadOnly: true, Roots: roots})
	if err != nil {
		l.Contents, l.Unreadable = "unreadable", err.Error()
		if r := (*Refusal)(nil); errors.As(err, &r) {
			l.Unreadable = strings.Join(r.Reasons, "; ")
		}
		return l
	}
	if c.disk == nil || c.disk.Dev != d.Dev {
		l.Contents, l.Unreadable = "unreadable", "another disk stands at its node"
	} else {
		l.Contents, l.Unreadable, l.Table = c.description.Contents, c.description.Unreadable, c.description.Table
	}
	if err := c.Close(); err != nil && l.Unreadable == "" {
		l.Unreadable = err.Error()
	}
	return l
}

// node gives the path of a disk's node.
func (r Roots) node(d *Disk) string {
	return filepath.Join(r.Dev, strings.ReplaceAll(d.Name, "!", "/"))
}

// wakeAll lets the kernel look for media in readers that seem empty; true when one may have been found.
func (s *Snapshot) wakeAll(roots Roots) bool {
	woken := false
	for i := range s.Disks {
		d := &s.Disks[i]
		if d.SizeBytes == 0 && d.Removable && cardLike(d) && !neverOffered(d) {
			woken = wake(roots.node(d)) || woken
		}
	}
	return woken
}
