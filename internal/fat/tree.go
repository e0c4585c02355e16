package fat

import "fmt"

const (
	// maxTreeBytes bounds what is read of directories: a million entries.
	maxTreeBytes = 32 << 20
	// maxDepth is how deep a folder may lie. Of a path with its drive and the zero behind it, which by Microsoft's overview has at
	// most 260 letters, every second one is a slash then.
	maxDepth = 128
)

// check makes sure that what the table calls free is nobody's, and that what belongs to one file belongs to no other: the table
// tells of chains, and only the directories tell whose they are. Where they contradict each other, to take a cluster or to give
// one back could destroy what is there. Chains that nobody names are harmless: they stay taken. The error wraps ErrUnsound, or is
// the medium's.
func (v *Volume) check() error {
	led, err := v.table.check()
	if err != nil {
		return err
	}
	if v.bits == 32 {
		if err := v.table.lead(led, rootCluster); err != nil {
			return err
		}
	}
	if v.root, err = v.readRoot(); err != nil {
		return err
	}
	w := walk{v, led, maxTreeBytes}
	return w.through(v.root, "/", 0)
}

// A walk goes from the root through all directories.
type walk struct {
	*Volume
	led       []bool // by cluster: another one or an entry leads to it
	leftBytes int    // of directories that may still be looked at
}

// through looks at what a directory names, and goes on in its folders.
func (w *walk) through(d *directory, path string, depth int) error {
	if w.leftBytes -= len(d.data); w.leftBytes < 0 || depth > maxDepth {
		return fmt.Errorf("%q: %w", path, unsound("its directories are too many or too deep to be looked at"))
	}
	all, err := d.entries()
	if err != nil {
		return fmt.Errorf("%q: %w", path, err)
	}
	if d != w.root {
		all = all[2:] // itself and the one above it
	}
	for _, f := range all {
		named := path + f.name()
		if !f.isFolder() {
			if err := w.file(f); err != nil {
				return fmt.Errorf("%q: %w", named, err)
			}
			continue
		}
		below, err := w.below(d, f)
		if err != nil {
			return fmt.Errorf("%q: %w", named, err)
		}
		if err := w.through(below, named+"/", depth+1); err != nil {
			return err
		}
	}
	return nil
}

// file looks at a file's clusters. More of them than its size asks for are the file's all the same, and lose nothing; with fewer,
// some of its content is elsewhere or gone.
func (w *walk) file(f found) error {
	if f.cluster() == 0 && f.sizeBytes() == 0 {
		return nil
	}
	if err := w.table.lead(w.led, f.cluster()); err != nil {
		return err
	}
	clusters, err := w.table.chain(f.cluster(), int(w.clusters))
	if err == nil && int64(len(clusters))*w.clusterBytes < f.sizeBytes() {
		return unsound("its %d clusters do not hold its %d bytes", len(clusters), f.sizeBytes())
	}
	return err
}

// below reads a folder of a directory. The two entries that it must begin with tell it from a cluster that was overwritten.
func (w *walk) below(above *directory, f found) (*directory, error) {
	if err := w.table.lead(w.led, f.cluster()); err != nil {
		return nil, err
	}
	d, err := w.folder(f.cluster())
	if err != nil {
		return nil, err
	}
	// To its folders FAT32's root is cluster 0. Where its true one is written instead, nothing is lost.
	knowsAbove := d.begins("..", above.first()) || w.bits == 32 && above == w.root && d.begins("..", rootCluster)
	if !knowsAbove || !d.begins(".", f.cluster()) {
		return nil, unsound("the folder does not begin with itself and the one above it")
	}
	return d, nil
}
