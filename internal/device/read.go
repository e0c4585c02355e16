package device

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
)

// swapTable is the field of a gap that concerns regular files, too: one may be in use as swap space.
const swapTable = "swap table"

// sysfsUnitBytes is the unit of every size in sysfs, whatever the disk's sectors are.
const sysfsUnitBytes = 512

var cidDigits = regexp.MustCompile(`^[0-9a-f]{32}$`)

// ReadSnapshot reads what the kernel tells about disks, mounts and swap. Pieces that cannot be read are kept as gaps in
// the result; only a tree without any list of block devices is an error.
func ReadSnapshot(roots Roots) (*Snapshot, error) {
	r, names, err := newReader(roots.withDefaults())
	if err != nil {
		return nil, err
	}
	s := &Snapshot{}
	for _, name := range names {
		s.Disks = append(s.Disks, r.settled(name))
	}
	s.markDoubles()
	s.Mounts, err = r.mounts()
	s.keep("mount table", err)
	s.Swaps, err = r.swaps()
	s.keep(swapTable, err)
	s.Members, err = r.members(s.Mounts)
	s.keep("list of btrfs devices", err)
	return s, nil
}

func (s *Snapshot) keep(field string, err error) {
	if err != nil {
		s.Unknown = append(s.Unknown, Gap{Field: field, Why: plain(err).Error()})
	}
}

// reader turns the trees below its roots into values.
type reader struct {
	roots Roots
	sys   string            // roots.Sys with links followed
	paths map[string]string // disk name -> its folder, links followed; empty where it leads nowhere
	lost  []string          // names from the list of all block devices that lead nowhere
}

// newReader finds the disks, and gives their names in order.
func newReader(roots Roots) (r *reader, names []string, err error) {
	r = &reader{roots: roots}
	if r.sys, err = filepath.EvalSymlinks(roots.Sys); err != nil {
		return nil, nil, fmt.Errorf("the kernel's device tree cannot be read: %w", err)
	}
	if names, err = r.diskNames(); err != nil {
		return nil, nil, fmt.Errorf("the list of block devices cannot be read: %w", err)
	}
	return r, names, nil
}

// diskNames gathers the disks from both lists of the kernel, so that one damaged list hides nothing.
func (r *reader) diskNames() ([]string, error) {
	disks, errDisks := os.ReadDir(filepath.Join(r.sys, "block"))
	all, errAll := os.ReadDir(filepath.Join(r.sys, "class", "block"))
	if errDisks != nil && errAll != nil {
		return nil, errors.Join(errDisks, errAll)
	}
	r.paths = map[string]string{}
	for _, e := range disks {
		r.paths[e.Name()], _ = filepath.EvalSymlinks(filepath.Join(r.sys, "block", e.Name()))
	}
	for _, e := range all {
		if _, listed := r.paths[e.Name()]; listed {
			continue
		}
		path, err := filepath.EvalSymlinks(filepath.Join(r.sys, "class", "block", e.Name()))
		switch {
		case err != nil:
			r.lost = append(r.lost, e.Name())
		case !isPartitionFolder(path):
			r.paths[e.Name()] = path
		}
	}
	names := make([]string, 0, len(r.paths))
	for name := range r.paths {
		names = append(names, name)
	}
	sort.Strings(names)
	return names, nil
}

// isPartitionFolder tells partitions, which the list of all block devices holds too. They lie inside their disk's folder,
// which has a number of its own; their own file says the same, but may be unreadable.
func isPartitionFolder(path string) bool {
	return isFile(filepath.Join(path, "partition")) || isFile(filepath.Join(filepath.Dir(path), "dev"))
}

func isFile(path string) bool {
	info, err := os.Lstat(path)
	return err == nil && info.Mode().IsRegular()
}

// settledWithin is how often a loop device in passage is read: some milliseconds, many times what the kernel takes.
const settledWithin = 20

// settled reads a disk. A loop device that is just being attached or detached tells for a moment that something is attached to it,
// and not what; that would be held against every other disk, so it is read again.
func (r *reader) settled(name string) Disk {
	d := r.disk(name)
	for range settledWithin {
		if !d.Attached || d.Backing.Path != "" {
			break
		}
		d = r.disk(name)
	}
	return d
}

func (r *reader) disk(name string) Disk {
	dir, d := r.paths[name], r.locate(name)
	if dir == "" {
		d.Unknown = []Gap{{Field: "device folder", Why: "its link leads nowhere"}}
		// It may be attached to anything, which is then held against every disk.
		d.Attached = strings.HasPrefix(name, "loop")
		return d
	}
	a := &attributes{dir: dir}
	d.Dev = a.devNumber("dev")
	d.SizeBytes = sizeBytes(a)
	d.ReadOnly = a.flag("ro")
	d.Removable = a.flag("removable")
	d.Hidden = a.flag("hidden")
	d.DiskSeq = diskSeq(a)
	d.LogicalSectorBytes = a.sectorBytes("queue/logical_block_size")
	d.PhysicalSectorBytes = int64(a.number("queue/physical_block_size"))
	d.Holders = a.links("holders")
	d.Slaves = a.links("slaves")
	d.DMName, d.DMUUID = a.text("dm/name"), a.text("dm/uuid")
	r.usb(&d, a)
	d.Bus = r.bus(&d, strings.Split(filepath.Dir(d.SysPath), "/"))
	d.RegisterFolder = registerFolder(&d, a)
	describe(&d, a)
	r.backing(&d, a)
	r.partitions(&d, a)
	d.Unknown = a.gaps
	return d
}

// locate tells of a disk what its place in the tree tells, without any of its files.
func (r *reader) locate(name string) Disk {
	dir := r.paths[name]
	d := Disk{Name: name, Transport: TransportOther}
	if dir == "" {
		return d
	}
	d.SysPath = strings.TrimPrefix(strings.TrimPrefix(dir, r.sys), "/")
	folders := strings.Split(filepath.Dir(d.SysPath), "/")
	d.Transport, d.PortPath = transportOf(name, folders), portPath(folders)
	if _, nested := r.paths[filepath.Base(filepath.Dir(dir))]; nested {
		d.AreaOf = filepath.Base(filepath.Dir(dir))
	}
	return d
}

// diskSeq gives the count of media. Kernels before 5.15 do not count them, so a missing count is no gap.
func diskSeq(a *attributes) uint64 {
	if !a.exists("diskseq") {
		return 0
	}
	return a.number("diskseq")
}

func sizeBytes(a *attributes) int64 {
	units := a.number("size")
	if units > (1<<63-1)/sysfsUnitBytes {
		a.miss("size", fmt.Errorf("%d is more than a disk can hold", units))
		return 0
	}
	return int64(units) * sysfsUnitBytes
}

// describe reads what a disk says of itself.
func describe(d *Disk, a *attributes) {
	switch d.Transport {
	case TransportMMC:
		d.Model = a.text("device/name")
	case TransportVirtio:
		// Here vendor is a bus number, and there is no model.
	default:
		d.Model = strings.TrimSpace(a.text("device/vendor") + " " + a.text("device/model"))
	}
	own := a.text("serial")
	if own == "" {
		own = a.text("device/serial")
	}
	if own != "" {
		d.Serial = own
	}
	if cid := a.text("device/cid"); cid != "" {
		if !cidDigits.MatchString(cid) {
			a.miss("device/cid", fmt.Errorf("%q is not 32 hex digits", cid))
			return
		}
		d.CID = cid
	}
}

// registerFolder gives the folder of the card's own registers. The hardware areas of a card have no others than the card.
func registerFolder(d *Disk, a *attributes) string {
	if d.Transport != TransportMMC || d.AreaOf != "" || areaName(d.Name) || !a.exists("device") {
		return ""
	}
	return filepath.Join(a.dir, "device")
}

// backing looks up what a loop device stands on. One that has a size or a loop folder has something attached.
func (r *reader) backing(d *Disk, a *attributes) {
	if d.Transport != TransportLoop {
		return
	}
	d.Attached = d.SizeBytes != 0 || a.exists("loop")
	for _, g := range a.gaps {
		d.Attached = d.Attached || g.Field == "size"
	}
	if !d.Attached {
		return
	}
	path, ok := a.line("loop/backing_file")
	switch {
	case !ok:
	case !strings.HasPrefix(path, "/"):
		a.miss("loop/backing_file", fmt.Errorf("%q is no path", path))
	default:
		d.Backing = r.roots.place(path)
	}
}

// partitions reads the folders inside the disk's own that are block devices but no hardware areas.
func (r *reader) partitions(d *Disk, a *attributes) {
	entries, err := os.ReadDir(a.dir)
	if err != nil {
		a.miss("partitions", err)
		return
	}
	for _, e := range entries {
		name := e.Name()
		dir := filepath.Join(a.dir, name)
		// A partition is told by its name or its file, so that one without the other is still seen.
		if !e.IsDir() || (!isPartitionName(d.Name, name) && !isFile(filepath.Join(dir, "partition"))) {
			continue
		}
		pa := &attributes{dir: dir, prefix: name + "/"}
		p := Partition{Name: name, Number: int(pa.number("partition")), Dev: pa.devNumber("dev"), Holders: pa.links("holders")}
		d.Partitions = append(d.Partitions, p)
		a.gaps = append(a.gaps, pa.gaps...)
	}
	for _, name := range r.lost {
		if isPartitionName(d.Name, name) {
			a.miss(name, errors.New("its link leads nowhere"))
		}
	}
	sort.Slice(d.Partitions, func(i, k int) bool { return d.Partitions[i].Number < d.Partitions[k].Number })
}

// isPartitionName tells whether name is one that the kernel gives to a partition of disk: "sdb1", "mmcblk0p1".
func isPartitionName(disk, name string) bool {
	rest, ok := strings.CutPrefix(name, disk)
	if !ok || disk == "" {
		return false
	}
	if last := disk[len(disk)-1]; last >= '0' && last <= '9' {
		if rest, ok = strings.CutPrefix(rest, "p"); !ok {
			return false
		}
	}
	_, err := strconv.ParseUint(rest, 10, 31)
	return err == nil
}

// markDoubles adds a gap to disks that share a device number or a folder: what is said of one may be true of the other.
func (s *Snapshot) markDoubles() {
	first := map[string]*Disk{}
	see := func(d *Disk, key, what string) {
		if o, ok := first[key]; ok {
			d.Unknown = append(d.Unknown, Gap{Field: what, Why: "it is also that of " + o.Name})
			o.Unknown = append(o.Unknown, Gap{Field: what, Why: "it is also that of " + d.Name})
			return
		}
		first[key] = d
	}
	for i := range s.Disks {
		d := &s.Disks[i]
		if d.SysPath != "" {
			see(d, "path "+d.SysPath, "device folder")
		}
		if d.Dev != (DevNumber{}) {
			see(d, "number "+d.Dev.String(), "device number")
		}
		for _, p := range d.Partitions {
			see(d, "name "+p.Name, "partition name "+p.Name)
			if p.Dev != (DevNumber{}) {
				see(d, "number "+p.Dev.String(), "device number of "+p.Name)
			}
		}
	}
}
