package store

import (
	"errors"
	"os"
	"path/filepath"
)

// A disk is all that changes files of a store, in calls that a crash or a full disk may fall between.
type disk struct {
	// before, where set, is asked ahead of each call, which does not happen if it gives an error.
	before func(call string) error
}

// may asks whether a call may happen.
func (d disk) may(call, path string) error {
	if d.before == nil {
		return nil
	}
	return d.before(call + " " + filepath.Base(path))
}

// makeFolder makes a store's own folder and those above it. Nobody else may read what lies there: images hold passwords.
func (d disk) makeFolder(path string) error {
	if err := d.may("make", path); err != nil {
		return err
	}
	return os.MkdirAll(path, 0o700)
}

// makeWork makes a new folder in a store for work that is not done yet.
func (d disk) makeWork(dir string) (string, error) {
	if err := d.may("work", dir); err != nil {
		return "", err
	}
	return os.MkdirTemp(dir, workPrefix)
}

// create makes a new file.
func (d disk) create(path string) (*os.File, error) {
	if err := d.may("create", path); err != nil {
		return nil, err
	}
	return os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
}

// writeAt writes to a file.
func (d disk) writeAt(file *os.File, data []byte, offsetBytes int64) error {
	if err := d.may("write", file.Name()); err != nil {
		return err
	}
	_, err := file.WriteAt(data, offsetBytes)
	return err
}

// setSize gives a file its length.
func (d disk) setSize(file *os.File, sizeBytes int64) error {
	if err := d.may("size", file.Name()); err != nil {
		return err
	}
	return file.Truncate(sizeBytes)
}

// sync brings a file or a folder to the medium.
func (d disk) sync(file *os.File) error {
	if err := d.may("sync", file.Name()); err != nil {
		return err
	}
	return file.Sync()
}

// syncFolder brings a folder's list of files to the medium.
func (d disk) syncFolder(path string) error {
	folder, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(d.sync(folder), folder.Close())
}

// writeFile makes a new file with a content that is on the medium when it returns.
func (d disk) writeFile(path string, content []byte) error {
	file, err := d.create(path)
	if err != nil {
		return err
	}
	return errors.Join(d.writeAt(file, content, 0), d.sync(file), file.Close())
}

// rename gives a file or a folder another name.
func (d disk) rename(from, to string) error {
	if err := d.may("rename", to); err != nil {
		return err
	}
	return os.Rename(from, to)
}

// remove deletes a file, or a folder with all that is in it.
func (d disk) remove(path string) error {
	if err := d.may("remove", path); err != nil {
		return err
	}
	return os.RemoveAll(path)
}
