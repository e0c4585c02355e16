package fat

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"
)

// A Volume is a FAT file system with files put into it, in memory.
type Volume struct {
	*geometry
	overlay *overlay
	table   *table
	root    *directory
	folders map[uint32]*directory // by first cluster, as read and changed
	put     []putFile
}

// A putFile is what must be read back.
type putFile struct {
	path    string
	content []byte
}

// Open looks at the file system in a part of a medium, with all its directories. Both tables must be equal, no chain in them may
// cross another or run in a circle, and each file and folder must have a chain of its own. The error wraps ErrUnsound and names the
// file, or is the medium's.
func Open(medium io.ReaderAt, startBytes, lengthBytes int64) (*Volume, error) {
	v := &Volume{overlay: newOverlay(medium, startBytes, lengthBytes), folders: map[uint32]*directory{}}
	boot := make([]byte, unitBytes)
	if _, err := v.overlay.ReadAt(boot, 0); err != nil {
		return nil, err
	}
	var err error
	if v.geometry, err = decodeGeometry(boot, lengthBytes); err != nil {
		return nil, err
	}
	v.overlay.writable = []span{{v.tableStart, v.end}}
	if v.infoBytes > 0 {
		v.overlay.writable = append(v.overlay.writable, span{v.infoBytes, v.infoBytes + unitBytes})
	}
	if err := v.readTable(); err != nil {
		return nil, err
	}
	if err := v.check(); err != nil {
		return nil, err
	}
	return v, nil
}

// readTable reads both tables.
func (v *Volume) readTable() error {
	first, second := make([]byte, v.tableBytes), make([]byte, v.tableBytes)
	for i, b := range [][]byte{first, second} {
		if _, err := v.overlay.ReadAt(b, v.tableStart+int64(i)*v.tableBytes); err != nil {
			return err
		}
	}
	if !bytes.Equal(first, second) {
		return unsound("its two allocation tables differ")
	}
	v.table = &table{geometry: v.geometry, bytes: first, dirty: map[int64]bool{}, next: firstCluster}
	return nil
}

func (v *Volume) readRoot() (*directory, error) {
	if v.bits == 32 {
		return v.folder(rootCluster)
	}
	d := &directory{volume: v, data: make([]byte, v.rootBytes)}
	_, err := v.overlay.ReadAt(d.data, v.rootStart)
	return d, err
}

// folder reads a directory that starts in a cluster.
func (v *Volume) folder(first uint32) (*directory, error) {
	if d, known := v.folders[first]; known {
		return d, nil
	}
	clusters, err := v.table.chain(first, maxDirectoryBytes/int(v.clusterBytes))
	if err != nil {
		return nil, err
	}
	d := &directory{volume: v, clusters: clusters, data: make([]byte, len(clusters)*int(v.clusterBytes))}
	for i, c := range clusters {
		if _, err := v.overlay.ReadAt(d.data[i*int(v.clusterBytes):][:v.clusterBytes], v.clusterStart(c)); err != nil {
			return nil, err
		}
	}
	v.folders[first] = d
	return d, nil
}

// Put writes a file to a path of names joined by slashes, makes the folders that are missing, and gives a file that is there already
// this content. Once it failed the volume is of no use. The error wraps ErrName, ErrOccupied, ErrFull or ErrUnsound, or is the
// medium's.
func (v *Volume) Put(path string, content []byte, at time.Time) error {
	names := strings.Split(path, "/")
	if len(names)-1 > maxDepth {
		return fmt.Errorf("%w: %q lies in more than %d folders", ErrName, path, maxDepth)
	}
	for _, name := range names {
		if err := CheckName(name); err != nil {
			return err
		}
	}
	d := v.root
	for _, name := range names[:len(names)-1] {
		var err error
		if d, err = v.enter(d, name, at); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	if err := v.putInto(d, names[len(names)-1], content, at); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	v.put = append(v.put, putFile{path, content})
	return nil
}

// enter gives a folder, and makes it where it is missing.
func (v *Volume) enter(d *directory, name string, at time.Time) (*directory, error) {
	f, there, err := d.find(name)
	switch {
	case err != nil:
		return nil, err
	case there && !f.isFolder():
		return nil, fmt.Errorf("%w: %s is a file", ErrOccupied, name)
	case there:
		return v.folder(f.cluster())
	}
	cluster, err := v.takeZeroed()
	if err != nil {
		return nil, err
	}
	if f, err = d.add(name, attributeFolder, at); err != nil {
		return nil, err
	}
	f.setCluster(cluster)
	if err := d.put(f.entry, f.at); err != nil {
		return nil, err
	}
	made := &directory{volume: v, clusters: []uint32{cluster}, data: make([]byte, v.clusterBytes)}
	v.folders[cluster] = made
	itself, above := newEntry(filledUp(".", ""), attributeFolder, at), newEntry(filledUp("..", ""), attributeFolder, at)
	itself.setCluster(cluster)
	above.setCluster(d.first())
	return made, made.put(append(itself, above...), 0)
}

// putInto writes a file into a folder. The clusters of what it replaces are given back first.
func (v *Volume) putInto(d *directory, name string, content []byte, at time.Time) error {
	f, there, err := d.find(name)
	switch {
	case err != nil:
		return err
	case there && f.isFolder():
		return fmt.Errorf("%w: %s is a folder", ErrOccupied, name)
	case there && f.cluster() != 0:
		old, err := v.table.chain(f.cluster(), int(v.clusters))
		if err != nil {
			return err
		}
		v.table.free(old)
	case !there:
		if f, err = d.add(name, attributeChanged, at); err != nil {
			return err
		}
	}
	first, err := v.store(content)
	if err != nil {
		return err
	}
	f.setCluster(first)
	f.setSize(len(content))
	f.setWritten(at)
	f.entry[0x0B] |= attributeChanged
	return d.put(f.entry, f.at)
}

// store puts content into clusters and gives the first, 0 for no content. What fills up the last sector is zero.
func (v *Volume) store(content []byte) (first uint32, err error) {
	if len(content) == 0 {
		return 0, nil
	}
	clusters, err := v.table.take(int((int64(len(content)) + v.clusterBytes - 1) / v.clusterBytes))
	if err != nil {
		return 0, err
	}
	for i, c := range clusters {
		part := content[int64(i)*v.clusterBytes:]
		part = part[:min(int64(len(part)), v.clusterBytes)]
		if rest := len(part) % unitBytes; rest > 0 {
			part = append(bytes.Clone(part), make([]byte, unitBytes-rest)...)
		}
		if err := v.overlay.write(part, v.clusterStart(c)); err != nil {
			return 0, err
		}
	}
	return clusters[0], nil
}

// takeZeroed takes one cluster and fills it with zeros.
func (v *Volume) takeZeroed() (uint32, error) {
	clusters, err := v.table.take(1)
	if err != nil {
		return 0, err
	}
	return clusters[0], v.overlay.write(make([]byte, v.clusterBytes), v.clusterStart(clusters[0]))
}
