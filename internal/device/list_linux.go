package device

import (
	"context"
	"fmt"
	"strings"
	"time"
)

// unreadable is told in place of what is on a disk.
const unreadable = "unreadable"

// A Listing is one disk as the list of disks shows it.
type Listing struct {
	Description
	WriteProtected bool `json:"write_protected"`
	Judgement           // without permission for fixed disks
	// AllowedWithFixedOK tells what that permission would make of it.
	AllowedWithFixedOK bool `json:"allowed_with_fixed_ok"`
	// Silent tells that a call is left behind which the disk has not answered. The kernel may keep the program until it does.
	Silent bool `json:"-"`
}

// List gives every whole disk that could ever be a target or be taken for one, with what is on it and whether it may be
// written. Memory disks, hidden disks, hardware areas, optical and floppy drives and loop devices without a file are left out.
// All are looked at at the same time; one that gives no answer for so long as patience is listed as unreadable. Errors are those of
// the kernel's tables and of the context.
func List(ctx context.Context, roots Roots, patience time.Duration) ([]Listing, error) {
	roots = roots.withDefaults()
	s, err := ReadSnapshot(roots)
	if err != nil {
		return nil, err
	}
	if s.wakeAll(ctx, roots, patience) {
		if s, err = ReadSnapshot(roots); err != nil {
			return nil, err
		}
	}
	listings := []Listing{}
	var numbers []DevNumber
	for i := range s.Disks {
		d := &s.Disks[i]
		if neverOffered(d) || (d.Transport == TransportLoop && !d.Attached) {
			continue
		}
		l := Listing{Description: s.known(d, roots), WriteProtected: d.ReadOnly, Judgement: Judge(s, d, Policy{})}
		l.AllowedWithFixedOK = Judge(s, d, Policy{FixedOK: true}).Allowed
		if l.SizeBytes > 0 {
			l.Contents, l.Unreadable, l.Silent = unreadable, fmt.Sprintf("it did not answer for %v", patience), true
		}
		listings, numbers = append(listings, l), append(numbers, d.Dev)
	}
	within(ctx, patience, len(listings),
		func(i int) Listing { return listings[i].looked(ctx, numbers[i], roots) },
		func(i int, l Listing) { listings[i] = l })
	return listings, ctx.Err()
}

// looked is a listing with what is on the disk.
func (l Listing) looked(ctx context.Context, number DevNumber, roots Roots) Listing {
	if l.SizeBytes == 0 {
		return l
	}
	l.Contents, l.Unreadable, l.Silent = unreadable, "", false
	// Open looks the node up by number, so a node that belongs to another disk is never read as this one.
	c, err := Open(ctx, l.Node, Options{ReadOnly: true, Roots: roots})
	if err != nil {
		l.Unreadable = strings.Join(ReasonsOf(err), "; ")
		return l
	}
	if c.disk == nil || c.disk.Dev != number {
		l.Unreadable = "another disk stands at its node"
	} else {
		l.Contents, l.Unreadable, l.Table = c.description.Contents, c.description.Unreadable, c.description.Table
	}
	if err := c.Close(); err != nil && l.Unreadable == "" {
		l.Unreadable = err.Error()
	}
	return l
}

// within makes so many calls at the same time, any of which may hang, and takes the answers that come before patience or the context
// ends, in the goroutine that calls it. A call that hangs goes on, and nobody waits for it.
func within[T any](ctx context.Context, patience time.Duration, calls int, call func(i int) T, take func(i int, answer T)) {
	type answer struct {
		i     int
		value T
	}
	answers := make(chan answer, calls)
	for i := range calls {
		go func() { answers <- answer{i, call(i)} }() // ends with the call
	}
	over := time.NewTimer(patience)
	defer over.Stop()
	for range calls {
		select {
		case a := <-answers:
			take(a.i, a.value)
		case <-over.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// wakeAll lets the kernel look for media in readers that seem empty; true when one may have been found.
func (s *Snapshot) wakeAll(ctx context.Context, roots Roots, patience time.Duration) (woken bool) {
	var nodes []string
	for i := range s.Disks {
		if d := &s.Disks[i]; d.SizeBytes == 0 && d.Removable && cardLike(d) && !neverOffered(d) {
			nodes = append(nodes, roots.node(d))
		}
	}
	within(ctx, patience, len(nodes), func(i int) bool { return wake(nodes[i]) }, func(_ int, opened bool) { woken = woken || opened })
	return woken
}
