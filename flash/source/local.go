package source

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// openFile opens a local file. What is not a regular file, such as a pipe, is read as a stream.
func openFile(name string, options Options) (*origin, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	found, err := fileOrigin(file, name, options)
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return found, nil
}

func fileOrigin(file *os.File, name string, options Options) (*origin, error) {
	info, err := file.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s: %w", name, ErrDirectory)
	}
	found := &origin{
		name: filepath.Base(name), stream: file, sizeBytes: -1, published: options.Expected, close: file.Close,
	}
	if !info.Mode().IsRegular() {
		return found, nil
	}
	found.sizeBytes, found.random, found.file = info.Size(), file, info
	// A separate place in the file: planning reads elsewhere, and the descriptor's own position stays untouched.
	found.stream = io.NewSectionReader(file, 0, maxFileBytes)
	if found.published.none() {
		found.published, err = besides(name)
	}
	return found, err
}

// publishedForFile gives what was published of a local file: what the options hold or, of a regular file, what lies beside it.
func publishedForFile(name string, options Options) (Published, error) {
	if !options.Expected.none() {
		return options.Expected, nil
	}
	if info, err := os.Stat(name); err != nil || !info.Mode().IsRegular() {
		return Published{}, nil // what is wrong with it, opening it tells
	}
	return besides(name)
}

// maxFileBytes lets the reader meet the file's true end, so that a file that grew is noticed.
const maxFileBytes = 1<<63 - 1

func standardInput(options Options) (*origin, error) {
	if options.Stdin == nil {
		return nil, fmt.Errorf("%w: no standard input was given", ErrUnsupported)
	}
	return &origin{
		name: StandardInput, stream: options.Stdin, sizeBytes: -1, published: options.Expected,
		close: func() error { return nil }, // it belongs to the caller
	}, nil
}
