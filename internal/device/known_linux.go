package device

import (
	"io/fs"
	"os"
)

// Known gives what the kernel tells of the disk at path, links followed, without opening it: neither it nor another disk is read, so
// that none which does not answer holds this up, and no right to open it is needed. Nothing is told of what is on it. It is false
// where the kernel lists no such disk, none that is ever offered, or no card in it: Open wakes its reader, or says why.
func Known(path string, roots Roots) (Description, bool) {
	roots = roots.withDefaults()
	_, info, err := find(path)
	if err != nil {
		return Description{}, false
	}
	s, err := ReadSnapshot(roots)
	if err != nil {
		return Description{}, false
	}
	for i := range s.Disks {
		if d := &s.Disks[i]; d.SizeBytes > 0 && !neverOffered(d) && roots.leadsTo(info, d) {
			return s.known(d, roots), true
		}
	}
	return Description{}, false
}

// known is what the snapshot tells of a disk.
func (s *Snapshot) known(d *Disk, roots Roots) Description {
	description := describeDisk(d)
	description.Node, description.MountedAt, description.Twins = roots.node(d), s.mountedAt(d), s.twins(d, roots)
	return description
}

// leadsTo tells whether a path's end is this disk: a node of its number, wherever that lies, or the disk's own.
func (r Roots) leadsTo(info fs.FileInfo, d *Disk) bool {
	if number, isBlock := blockNumber(info); isBlock {
		return number == d.Dev
	}
	own, err := os.Stat(r.node(d))
	return err == nil && os.SameFile(info, own)
}
