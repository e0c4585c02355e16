package device

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// Holds tells whether a file lies on the target or is the target: an image, a logbook or a program that must outlive the
// writing. Of a path where nothing stands yet the folder is looked at. An error means that it cannot be told, which a
// caller takes for a yes.
func (c *Card) Holds(path string) (bool, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		path = filepath.Dir(path)
		info, err = os.Stat(path)
	}
	if err != nil {
		return false, fmt.Errorf("where %s lies: %w", path, err)
	}
	if os.SameFile(info, c.info) {
		return true, nil
	}
	number, isNode := blockNumber(info)
	if c.disk == nil && !isNode {
		return false, nil
	}
	s, err := ReadSnapshot(c.options.Roots)
	if err != nil {
		return false, fmt.Errorf("where %s lies: %w", path, err)
	}
	if isNode {
		return c.meetsNode(s, number)
	}
	return c.meetsFile(s, path, info)
}

// meetsNode tells whether a device node's bytes are the target's, in whole or in part.
func (c *Card) meetsNode(s *Snapshot, number DevNumber) (bool, error) {
	d := s.DiskByNumber(number)
	if d == nil {
		d, _ = s.PartitionByNumber(number)
	}
	if d == nil {
		return false, fmt.Errorf("the kernel lists no disk of number %s", number)
	}
	for _, n := range newGraph(s).contacts(d) {
		if c.disk != nil && n.dev == c.disk.Dev {
			return true, nil
		}
		if c.disk == nil && n.disk != nil && n.disk.Attached && c.sameAs(n.disk.Backing.Path) {
			return true, nil
		}
	}
	return false, nil
}

// meetsFile tells whether a file or folder lies on the target disk, or is what the target disk stands on.
func (c *Card) meetsFile(s *Snapshot, path string, info os.FileInfo) (bool, error) {
	target := s.DiskByNumber(c.disk.Dev)
	st, ok := info.Sys().(*syscall.Stat_t)
	if target == nil || !ok {
		return false, fmt.Errorf("where %s lies: %w", path, ErrChanged)
	}
	real, err := filepath.EvalSymlinks(path)
	if err == nil {
		real, err = filepath.Abs(real)
	}
	if err != nil {
		return false, fmt.Errorf("where %s lies: %w", path, err)
	}
	number, mount := devNumber(uint64(st.Dev)), s.mountOf(real)
	for _, n := range newGraph(s).contacts(target) {
		if n.dev != (DevNumber{}) && n.dev == number {
			return true, nil
		}
		if n.disk != nil && n.disk.Attached && n.disk.Backing.IsFile {
			if ground, err := os.Stat(n.disk.Backing.Path); err == nil && os.SameFile(ground, info) {
				return true, nil
			}
		}
		for _, ground := range s.grounds(mount) {
			if ground.on(n.node) {
				return true, nil
			}
		}
	}
	j := &judging{snapshot: s, disk: target, graph: newGraph(s)}
	if mount == nil || !(j.traceable(mount) && (mount.Kind != "overlay" || j.layered(mount))) {
		return false, fmt.Errorf("which disk holds %s cannot be told", path)
	}
	return false, nil
}

// grounds gives a mount and, of an overlay, the mounts that its layers lie on.
func (s *Snapshot) grounds(m *Mount) []*Mount {
	if m == nil {
		return nil
	}
	grounds := []*Mount{m}
	for _, layer := range m.Layers {
		if below := s.mountOf(layer); below != nil {
			grounds = append(grounds, below)
		}
	}
	return grounds
}
