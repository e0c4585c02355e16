package store

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// DefaultLimitBytes is how much the entries of a store may take together unless Options say otherwise: 64 GB. That is room for
// some ten images of boards with a desktop, and no more than a quarter of the smallest disk that PCs are commonly sold with.
const DefaultLimitBytes = 64e9

// Options say how a store is kept. The zero value keeps the limit above.
type Options struct {
	// LimitBytes is what the entries may take on the disk together, to the block. Zero: DefaultLimitBytes.
	LimitBytes int64
	// Damaged hears of each entry that would have been used but is damaged. Nil: nobody does.
	Damaged func(error)
	// Now is the clock that tells which entry was used least lately. Nil: time.Now.
	Now func() time.Time
}

// A Store is a folder of prepared images, which several programs may use at once. Any goroutine may call its methods.
type Store struct {
	dir        string
	disk       disk
	limitBytes int64
	damaged    func(error)
	now        func() time.Time
}

// Open opens the store in a folder, and removes what programs left there that did not end well. A folder that is not there is
// an empty store; it is made with the first entry. Errors are *Error.
func Open(ctx context.Context, dir string, o Options) (*Store, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, told("open", dir, err)
	}
	s := &Store{dir: dir, limitBytes: cmp.Or(o.LimitBytes, DefaultLimitBytes), damaged: o.Damaged, now: o.Now}
	if s.damaged == nil {
		s.damaged = func(error) {}
	}
	if s.now == nil {
		s.now = time.Now
	}
	return s, told("open", dir, s.tidy(ctx))
}

// Dir is the store's folder.
func (s *Store) Dir() string { return s.dir }

// tidy removes the work of programs that are no more. What a live one works on is locked.
func (s *Store) tidy(ctx context.Context) error {
	if leftovers, err := s.work(); len(leftovers) == 0 || errors.Is(err, fs.ErrNotExist) {
		return ignoreMissing(err)
	}
	return s.exclusively(ctx, func() error {
		leftovers, err := s.work()
		for _, folder := range leftovers {
			err = errors.Join(err, s.removeUnlessLocked(folder))
		}
		return err
	})
}

// work lists the folders that are being written or deleted, or were when a program ended.
func (s *Store) work() (folders []string, err error) {
	found, err := os.ReadDir(s.dir)
	for _, f := range found {
		if strings.HasPrefix(f.Name(), workPrefix) {
			folders = append(folders, filepath.Join(s.dir, f.Name()))
		}
	}
	return folders, err
}

// removeUnlessLocked removes a folder unless a program works on its image.
func (s *Store) removeUnlessLocked(folder string) error {
	image, err := lockImage(folder, unix.LOCK_EX)
	switch {
	case errors.Is(err, ErrInUse):
		return nil
	case errors.Is(err, fs.ErrNotExist): // it has none yet, or none any more
		return s.disk.remove(folder)
	case err != nil:
		return err
	}
	return errors.Join(s.disk.remove(folder), image.Close())
}

// lockImage opens the image of a folder and locks it until it is closed, unless another program's lock forbids that: ErrInUse.
func lockImage(folder string, how int) (*os.File, error) {
	image, err := os.Open(filepath.Join(folder, imageName))
	if err != nil {
		return nil, err
	}
	if err := tryLock(image, how); err != nil {
		return nil, errors.Join(err, image.Close())
	}
	return image, nil
}

// tryLock locks a file if that can be done at once, else gives ErrInUse.
func tryLock(file *os.File, how int) error {
	for {
		err := unix.Flock(int(file.Fd()), how|unix.LOCK_NB)
		if errors.Is(err, unix.EWOULDBLOCK) {
			return ErrInUse
		}
		if !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}

// askEvery is how often a lock is asked for that another program holds for a moment; patience is how long that may last: its
// holder may have been stopped, and no card shall wait for that.
const (
	askEvery = 20 * time.Millisecond
	patience = 30 * time.Second
)

// exclusively does what no two programs may do in a store at once: letting entries come and go. It is never nested. A store
// that is not there is fs.ErrNotExist, one that another program does not let go is ErrLocked.
func (s *Store) exclusively(ctx context.Context, do func() error) error {
	lock, err := os.OpenFile(filepath.Join(s.dir, lockName), os.O_RDONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	defer lock.Close() // which gives the lock back
	asking := time.NewTicker(askEvery)
	defer asking.Stop()
	waiting := time.NewTimer(patience)
	defer waiting.Stop()
	for {
		err := tryLock(lock, unix.LOCK_EX)
		if err == nil {
			return do()
		}
		if !errors.Is(err, ErrInUse) {
			return err
		}
		select {
		case <-asking.C:
		case <-waiting.C:
			return ErrLocked
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// ignoreMissing takes a store that is not there for an empty one.
func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
