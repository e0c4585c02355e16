package capacity

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// A stateFile is where the state of one card's full check lies. Of two programs on one card only one has it open.
type stateFile struct {
	path string // empty: none is kept
	// before, where set, is asked ahead of each call that changes something, which does not happen if it gives an error.
	before func(call string) error
}

// statePaths are where the state of a card may lie: under its identification register, and under its node, as when its reader hid it.
func statePaths(folder string, card Mark) []string {
	var paths []string
	for _, name := range []string{"cid " + card.CID, "node " + card.Node} {
		if name != "cid " {
			digest := sha256.Sum256(fmt.Appendf(nil, "%s %d", name, card.SizeBytes))
			paths = append(paths, filepath.Join(folder, "full-"+hex.EncodeToString(digest[:16])+".json"))
		}
	}
	return paths
}

// openState finds what an interrupted check of this card left in the folder, and where the next state belongs. A state that is
// damaged, or another card's, is as none.
func openState(folder string, card Mark) (stateFile, *state) {
	if folder == "" {
		return stateFile{}, nil
	}
	paths := statePaths(folder, card)
	for _, path := range paths {
		if left, err := readState(path); err == nil && left.isOf(card) {
			return stateFile{path: path}, left
		}
	}
	return stateFile{path: paths[0]}, nil
}

func readState(path string) (*state, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close() // it was only read
	content, err := io.ReadAll(io.LimitReader(file, mostStateBytes))
	if err != nil {
		return nil, err
	}
	return unsealState(content)
}

func (f stateFile) may(call string) error {
	if f.before == nil {
		return nil
	}
	return f.before(call)
}

// save puts a state in the place of the last one, so that a crash leaves either.
func (f stateFile) save(s *state) error {
	if f.path == "" {
		return nil
	}
	content, err := s.seal()
	if err != nil {
		return err
	}
	if err := f.may("make"); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(f.path), 0o700); err != nil {
		return err
	}
	fresh := f.path + ".new"
	if err := f.write(fresh, content); err != nil {
		return err
	}
	if err := f.may("rename"); err != nil {
		return err
	}
	if err := os.Rename(fresh, f.path); err != nil {
		return err
	}
	return f.syncFolder()
}

func (f stateFile) write(path string, content []byte) error {
	if err := f.may("create"); err != nil {
		return err
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(content)
	if err == nil {
		err = f.may("sync")
	}
	return errors.Join(err, file.Sync(), file.Close())
}

// remove deletes the state of a check that is finished.
func (f stateFile) remove() error {
	if f.path == "" {
		return nil
	}
	if err := f.may("remove"); err != nil {
		return err
	}
	if err := os.Remove(f.path); err != nil {
		return err
	}
	return f.syncFolder()
}

func (f stateFile) syncFolder() error {
	if err := f.may("sync folder"); err != nil {
		return err
	}
	folder, err := os.Open(filepath.Dir(f.path))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
