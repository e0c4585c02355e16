package capacity

import (
	"crypto/rand"
	"errors"
	"os"
	"path/filepath"
)

// errLocked says that another has the file in use.
var errLocked = errors.New("in use by another")

// A folder is all that changes files of a check, in calls that a crash or a full disk may fall between.
type folder struct {
	path string
	// before, where set, is asked ahead of each call, which does not happen if it gives an error.
	before func(call string) error
}

// may asks whether a call may happen.
func (f folder) may(call string) error {
	if f.before == nil {
		return nil
	}
	return f.before(call)
}

// open makes the folder where it is missing. Nobody else may read what lies there: it is what cards hold.
func (f folder) open() error {
	if err := f.may("make"); err != nil {
		return err
	}
	return os.MkdirAll(f.path, 0o700)
}

// create makes a new file that is locked for as long as it is open. Whoever finds it before it is locked may lock it first, and
// delete what looks like a leftover of nothing; then another is made.
func (f folder) create(prefix string) (*os.File, error) {
	if err := f.may("create"); err != nil {
		return nil, err
	}
	for {
		path := filepath.Join(f.path, prefix+rand.Text())
		file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
		if err != nil {
			return nil, err
		}
		err = lockFile(file)
		if err == nil && isStill(path, file) {
			return file, nil
		}
		if errors.Is(err, errLocked) {
			err = nil
		}
		if err := errors.Join(err, file.Close()); err != nil {
			return nil, errors.Join(err, os.Remove(path))
		}
	}
}

// isStill tells whether a path still leads to an open file.
func isStill(path string, file *os.File) bool {
	there, err := os.Stat(path)
	if err != nil {
		return false
	}
	opened, err := file.Stat()
	return err == nil && os.SameFile(there, opened)
}

// write appends to a file.
func (f folder) write(file *os.File, data []byte) error {
	if err := f.may("write"); err != nil {
		return err
	}
	_, err := file.Write(data)
	return err
}

// sync brings a file to the medium.
func (f folder) sync(file *os.File) error {
	if err := f.may("sync"); err != nil {
		return err
	}
	return file.Sync()
}

// syncList brings the folder's list of files to the medium.
func (f folder) syncList() error {
	if err := f.may("sync list"); err != nil {
		return err
	}
	list, err := os.Open(f.path)
	if err != nil {
		return err
	}
	return errors.Join(list.Sync(), list.Close())
}

// remove deletes a file.
func (f folder) remove(path string) error {
	if err := f.may("remove"); err != nil {
		return err
	}
	return os.Remove(path)
}
