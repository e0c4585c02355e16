package registers

import (
	"io"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"
)

// Files is a folder in memory, without folders in it: contents by name. Whoever holds it may take files out or change them.
type Files map[string]string

// Open gives a file, or the folder itself as ".".
func (f Files) Open(name string) (fs.File, error) {
	switch content, found := f[name]; {
	case !fs.ValidPath(name):
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrInvalid}
	case name == ".":
		return &opened{info: info{name: "."}, listing: f.list()}, nil
	case !found:
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	default:
		return &opened{info: info{name, int64(len(content))}, content: strings.NewReader(content)}, nil
	}
}

func (f Files) list() (entries []fs.DirEntry) {
	for _, name := range slices.Sorted(maps.Keys(f)) {
		entries = append(entries, fs.FileInfoToDirEntry(info{name, int64(len(f[name]))}))
	}
	return entries
}

// opened is an open file, or the open folder.
type opened struct {
	info
	content *strings.Reader // nil for the folder
	listing []fs.DirEntry   // of the folder: what was not yet told
}

func (o *opened) Stat() (fs.FileInfo, error) { return o.info, nil }

func (o *opened) Read(p []byte) (int, error) {
	if o.content == nil {
		return 0, &fs.PathError{Op: "read", Path: o.name, Err: fs.ErrInvalid}
	}
	return o.content.Read(p)
}

func (o *opened) ReadDir(most int) ([]fs.DirEntry, error) {
	if o.content != nil {
		return nil, &fs.PathError{Op: "readdir", Path: o.name, Err: fs.ErrInvalid}
	}
	count := len(o.listing)
	if most > 0 {
		if count == 0 {
			return nil, io.EOF
		}
		count = min(count, most)
	}
	told := o.listing[:count]
	o.listing = o.listing[count:]
	return told, nil
}

func (o *opened) Close() error { return nil }

// info describes a file, or the folder.
type info struct {
	name      string
	sizeBytes int64
}

func (i info) Name() string     { return i.name }
func (i info) Size() int64      { return i.sizeBytes }
func (info) ModTime() time.Time { return time.Time{} }
func (i info) IsDir() bool      { return i.name == "." }
func (info) Sys() any           { return nil }

func (i info) Mode() fs.FileMode {
	if i.IsDir() {
		return fs.ModeDir | 0o555
	}
	return 0o444
}
