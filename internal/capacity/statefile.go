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
	folder
	name string // empty: none is kept
}

// stateNames are the names under which the state of a card may lie: of its identification register, and of its node, as when its
// reader hid that.
func stateNames(card Mark) (names []string) {
	for _, key := range []string{"cid " + card.CID, "node " + card.Node} {
		if key != "cid " {
			digest := sha256.Sum256(fmt.Appendf(nil, "%s %d", key, card.SizeBytes))
			names = append(names, "full-"+hex.EncodeToString(digest[:16])+".json")
		}
	}
	return names
}

// openState finds what an interrupted check of this card left in the folder, and where the next state belongs. A state that is
// damaged, or another card's, is as none.
func openState(o Options) (stateFile, *state) {
	if o.Folder == "" {
		return stateFile{}, nil
	}
	f := folder{o.Folder, o.before}
	names := stateNames(o.Card)
	for _, name := range names {
		if left, err := readState(filepath.Join(f.path, name)); err == nil && left.isOf(o.Card) {
			return stateFile{f, name}, left
		}
	}
	return stateFile{f, names[0]}, nil
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

// save puts a state in the place of the last one, so that a crash leaves either.
func (f stateFile) save(s *state) error {
	if f.name == "" {
		return nil
	}
	content, err := s.seal()
	if err != nil {
		return err
	}
	if err := f.open(); err != nil {
		return err
	}
	path := filepath.Join(f.path, f.name)
	if err := f.writeNew(path+".new", content); err != nil {
		return err
	}
	if err := f.may("rename"); err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	return f.syncList()
}

// writeNew makes a file with a content that is on the medium when it returns. What an interrupted save left there is gone.
func (f stateFile) writeNew(path string, content []byte) error {
	if err := f.may("create"); err != nil {
		return err
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	err = f.write(file, content)
	if err == nil {
		err = f.sync(file)
	}
	return errors.Join(err, file.Close())
}

// removeState deletes the state of a check that is finished.
func (f stateFile) removeState() error {
	if f.name == "" {
		return nil
	}
	if err := f.remove(filepath.Join(f.path, f.name)); err != nil {
		return err
	}
	return f.syncList()
}
