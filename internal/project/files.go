package project

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"text/template"
	"unicode/utf8"

	"cardwright/internal/fat"
)

// What a folder may hold at most: settings, keys and a few small programs, not a second image.
const (
	maxFiles      = 256
	maxFilesBytes = 16 << 20
)

// Files are the files of a folder, in the order of their paths.
type Files struct{ all []source }

// A source is one file: a template, or content that is taken as it is.
type source struct {
	path     string // of names joined by slashes
	template *template.Template
	content  []byte
}

// ReadFiles reads every regular file below a folder. A file is a template (text/template) unless a byte of it is zero or it is no
// UTF-8 text: such a file is copied as it is. A link, a device or a name that FAT cannot hold is an error, and so are two names
// that FAT takes for one. The error wraps ErrFiles or ErrTemplate.
func ReadFiles(dir string) (*Files, error) {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFiles, err)
	}
	defer root.Close() // it was only read
	reading := &filesReader{root: root, names: map[string]string{}}
	err = fs.WalkDir(root.FS(), ".", reading.visit)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFiles, err)
	}
	if len(reading.files.all) == 0 {
		return nil, fmt.Errorf("%w: %s holds no file", ErrFiles, dir)
	}
	return &reading.files, nil
}

// A filesReader is a folder being read.
type filesReader struct {
	root  *os.Root
	files Files
	bytes int
	names map[string]string // as FAT tells names apart: what they are
}

// visit takes one entry of the folder or of one below it.
func (r *filesReader) visit(path string, entry fs.DirEntry, err error) error {
	if err != nil || path == "." {
		return err
	}
	if err := fat.CheckName(entry.Name()); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	if other, taken := r.names[fat.Key(path)]; taken {
		return fmt.Errorf("%s and %s: FAT takes the names for one", other, path)
	}
	r.names[fat.Key(path)] = path
	switch {
	case entry.IsDir():
		return nil
	case !entry.Type().IsRegular():
		return fmt.Errorf("%s: %s is no regular file", path, kindOf(entry.Type()))
	case len(r.files.all) == maxFiles:
		return fmt.Errorf("%s: there are more than %d files", path, maxFiles)
	}
	content, err := r.read(path)
	if err != nil {
		return err
	}
	file, err := newSource(path, content)
	r.files.all = append(r.files.all, file)
	return err
}

// kindOf names what is there instead of a file.
func kindOf(mode fs.FileMode) string {
	switch {
	case mode&fs.ModeSymlink != 0:
		return "a symbolic link"
	case mode&fs.ModeDevice != 0:
		return "a device"
	case mode&fs.ModeNamedPipe != 0:
		return "a pipe"
	case mode&fs.ModeSocket != 0:
		return "a socket"
	}
	return "this"
}

// read reads a file, which must still be a regular one.
func (r *filesReader) read(path string) ([]byte, error) {
	info, err := r.root.Lstat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: %s is no regular file", path, kindOf(info.Mode()))
	}
	file, err := r.root.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close() // it was only read
	content, err := io.ReadAll(io.LimitReader(file, maxFilesBytes+1))
	if err != nil {
		return nil, err
	}
	if r.bytes += len(content); r.bytes > maxFilesBytes {
		return nil, fmt.Errorf("%s: the files have more than %d bytes", path, maxFilesBytes)
	}
	return content, nil
}

// newSource takes text for a template and anything else as it is.
func newSource(path string, content []byte) (source, error) {
	if bytes.IndexByte(content, 0) >= 0 || !utf8.Valid(content) {
		return source{path: path, content: content}, nil
	}
	parsed, err := template.New(path).Option("missingkey=error").Parse(string(content))
	if err != nil {
		return source{}, templateFailed(err)
	}
	return source{path: path, template: parsed}, nil
}

// templateFailed says what is wrong with a template; the library's text begins with a word that tells the operator nothing.
func templateFailed(err error) error {
	told := strings.TrimPrefix(err.Error(), "template: ")
	return fmt.Errorf("%w: %s", ErrTemplate, strings.Replace(told, "map has no entry for key", "no column of the sheet has the name", 1))
}
