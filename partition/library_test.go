package partition_test

import (
	"bytes"
	"io/fs"
)

// libraryFile is what go-diskfs reads a table from.
type libraryFile struct{ *bytes.Reader }

func newLibraryFile(content []byte) libraryFile { return libraryFile{bytes.NewReader(content)} }

func (libraryFile) Close() error               { return nil }
func (libraryFile) Stat() (fs.FileInfo, error) { return nil, fs.ErrInvalid }
