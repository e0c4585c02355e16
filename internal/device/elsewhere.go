package device

import "strings"

// elsewhere holds against the disk what is in use on a disk that cannot be told: it might be this one.
func (j *judging) elsewhere() {
	for i := range j.snapshot.Mounts {
		m := &j.snapshot.Mounts[i]
		if m.Point == "/" && !j.placed(m) {
			j.say("which disk holds the running system cannot be told from %q", m.Source)
		} else if !j.traceable(m) {
			j.say("which disk holds %s cannot be told from %q", m.Point, m.Source)
		}
	}
	for _, s := range j.snapshot.Swaps {
		if !s.OnFile && !j.graph.knows(s.Place) {
			j.say("which disk holds the swap space %s cannot be told", s.Path)
		}
	}
	for i := range j.snapshot.Disks {
		if d := &j.snapshot.Disks[i]; d.Attached && !j.backed(d) {
			j.say("what %s stands on cannot be told", d.Name)
		}
	}
}

// backed tells whether a loop device's ground is known: a device of the snapshot, or a file.
func (j *judging) backed(d *Disk) bool {
	b := d.Backing
	return b.Path != "" && (b.IsFile || !strings.HasPrefix(b.Path, "/dev/") || j.graph.knows(b))
}

// placed tells whether the disks of the root file system are known, or that it has none.
func (j *judging) placed(m *Mount) bool {
	if j.onKnownDisk(m) {
		return true
	}
	if m.Kind == "overlay" {
		return j.layered(m)
	}
	return diskless(m.Kind)
}

func (j *judging) onKnownDisk(m *Mount) bool {
	for _, n := range j.graph.nodes {
		if m.on(n) {
			return true
		}
	}
	return false
}

// diskless names the file system kinds that live in memory or on another machine.
func diskless(kind string) bool {
	switch kind {
	case "tmpfs", "ramfs", "rootfs", "nfs", "nfs4", "cifs", "9p", "virtiofs":
		return true
	}
	return false
}

// layered tells whether each layer of an overlay lies on a mount of its own. A layer that would lie below the overlay's
// own mount point was mounted where this program cannot look.
func (j *judging) layered(m *Mount) bool {
	for _, layer := range m.Layers {
		if below := j.mountOf(layer); below == nil || below.Point == m.Point {
			return false
		}
	}
	return len(m.Layers) > 0
}

// layerOfRoot tells whether the running system's overlay stands on this mount.
func (j *judging) layerOfRoot(m *Mount) bool {
	for i := range j.snapshot.Mounts {
		root := &j.snapshot.Mounts[i]
		if root.Point != "/" {
			continue
		}
		for _, layer := range root.Layers {
			if below := j.mountOf(layer); below != nil && below.Point == m.Point {
				return true
			}
		}
	}
	return false
}

func (j *judging) mountOf(path string) *Mount { return j.snapshot.mountOf(path) }

// mountOf gives the mount that a path lies on: the deepest, and of those the last.
func (s *Snapshot) mountOf(path string) *Mount {
	var found *Mount
	for i := range s.Mounts {
		m := &s.Mounts[i]
		inside := m.Point == "/" || path == m.Point || strings.HasPrefix(path, m.Point+"/")
		if inside && (found == nil || len(m.Point) >= len(found.Point)) {
			found = m
		}
	}
	return found
}

// traceable tells whether a mount can be held against the right disk. One with a device number of its own can, since a
// number that sysfs lacks belongs to a disk that is gone.
func (j *judging) traceable(m *Mount) bool {
	if m.Dev.Major != 0 || j.onKnownDisk(m) {
		return true
	}
	switch m.Kind {
	case "btrfs", "bcachefs", "zfs":
		return false
	}
	return !strings.HasPrefix(m.Source, "/dev/") || m.Source == "/dev/fuse"
}
