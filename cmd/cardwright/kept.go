package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"cardwright/internal/device"
)

// A kept is a file that must not lie on a target.
type kept struct{ path, what string }

// mustLast are the files that no target may hold; storing says that the store's folder will be made where it is not there. A place
// that is not known needs no care: nothing is kept there.
func (p *program) mustLast(imageName string, store storeFlags, storing bool) []kept {
	keep := p.imageKept(imageName)
	if book, err := p.writingPath(); err == nil {
		keep = append(keep, kept{existing(book), "the logbook"})
		for _, beside := range []string{book + "-wal", book + "-shm", book + "-journal"} {
			if _, err := os.Stat(beside); err == nil {
				keep = append(keep, kept{beside, "the logbook's latest changes"})
			}
		}
	}
	keep = append(keep, p.storeKept(store, storing)...)
	if program, err := os.Executable(); err == nil {
		keep = append(keep, kept{program, "the running program"})
	}
	return keep
}

// imageKept is the file that an image is read from, where it is one: standard input may be a file, or a card, too.
func (p *program) imageKept(name string) []kept {
	if isLocal(name) {
		if info, err := os.Stat(name); errors.Is(err, fs.ErrNotExist) || err == nil && !liesOnDisk(info) {
			return nil // opening it says so, or it is a pipe
		}
		return []kept{{name, "the image"}}
	}
	file, ok := p.stdin.(*os.File)
	if name != standardInput || !ok {
		return nil
	}
	info, err := file.Stat()
	if err != nil || !liesOnDisk(info) {
		return nil // a pipe, or a terminal
	}
	return []kept{{fmt.Sprintf("/proc/self/fd/%d", file.Fd()), "the image on standard input"}}
}

// existing gives the path, or the nearest folder above it that is there: where the file would come to lie.
func existing(path string) string {
	for {
		if _, err := os.Stat(path); err == nil {
			return path
		}
		above := filepath.Dir(path)
		if above == path {
			return path
		}
		path = above
	}
}

// holdsAny gives a sentence for each of these files that lies on a card, or of which that cannot be told.
func holdsAny(card *device.Card, keep []kept) (reasons []string) {
	for _, k := range keep {
		holds, err := card.Holds(k.path)
		switch {
		case err != nil:
			reasons = append(reasons, fmt.Sprintf("whether it holds %s cannot be told: %v", k.what, err))
		case holds:
			reasons = append(reasons, fmt.Sprintf("it holds %s, %s; keep that elsewhere, or name another target", k.what, k.path))
		}
	}
	return reasons
}
