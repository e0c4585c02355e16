package device

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// place looks up a path that the kernel named. A path below /dev is looked up below roots.Dev, links followed.
func (r Roots) place(path string) Place {
	p := Place{Path: path}
	clean := strings.TrimSuffix(path, " (deleted)")
	if !strings.HasPrefix(clean, "/") {
		return p
	}
	local := clean
	below, underDev := strings.CutPrefix(clean, "/dev/")
	if underDev {
		local = filepath.Join(r.Dev, below)
	}
	real, err := filepath.EvalSymlinks(local)
	if err != nil {
		// Nothing to ask: the name alone must do, and rather names a disk wrongly than misses one.
		p.Name = filepath.Base(clean)
		if underDev {
			p.Name = kernelName(below)
		}
		return p
	}
	info, err := os.Stat(real)
	if err != nil {
		p.Name = filepath.Base(clean)
		return p
	}
	p.IsFile = info.Mode().IsRegular()
	if n, ok := blockNumber(info); ok {
		p.Dev = &n
	}
	if rel, ok := r.belowDev(real); ok {
		p.Name = kernelName(rel)
	} else if p.Dev != nil {
		p.Name = filepath.Base(real)
	}
	return p
}

func (r Roots) belowDev(real string) (string, bool) {
	dev, err := filepath.EvalSymlinks(r.Dev)
	if err != nil {
		dev = r.Dev
	}
	return strings.CutPrefix(real, dev+"/")
}

// kernelName turns a path below /dev into the name that sysfs uses.
func kernelName(belowDev string) string { return strings.ReplaceAll(belowDev, "/", "!") }

// is tells whether the place is the device of that name or number. Either is enough: a false yes only refuses.
func (p Place) is(n node) bool {
	if p.Dev != nil && *p.Dev == n.dev {
		return true
	}
	if p.Name == "" {
		return false
	}
	return p.Name == n.name || (n.dmName != "" && p.Name == "mapper!"+n.dmName)
}

// blockMode tells a block device from all other kinds of file.
func blockMode(m fs.FileMode) bool { return m&fs.ModeDevice != 0 && m&fs.ModeCharDevice == 0 }
