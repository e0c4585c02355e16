package blockdev

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

const (
	// backingName is the name of the one file in the mounted folder.
	backingName = "card"
	// requestBytes is the most that the kernel asks for at once, of the loop device and hence of the file. Were the loop
	// device's requests longer, each would become several of the file's; if a later one of them failed, the write would come
	// back short, which the loop driver takes for success. go-fuse carries no more than this without a warning.
	requestBytes = 512 << 10
	// requestsAtOnce is how many requests may be under way; it is the loop driver's own default.
	requestsAtOnce = 128
)

// A folder is a FUSE root that holds nothing but the card's file.
type folder struct {
	fs.Inode
	file *cardFile
}

// OnAdd puts the file into the folder.
func (f *folder) OnAdd(ctx context.Context) {
	f.AddChild(backingName, f.NewPersistentInode(ctx, f.file, fs.StableAttr{Mode: syscall.S_IFREG}), false)
}

// A cardFile is the card as a file. It passes every request on, so that no page of it is ever cached.
type cardFile struct {
	fs.Inode
	card   *cardlab.Card
	live   atomic.Bool // until then the kernel asks in vain: its first look at a new disk is no part of a test
	pulled atomic.Bool // from then on every call fails, also when the card is in use elsewhere
}

var (
	_ fs.NodeOnAdder   = (*folder)(nil)
	_ fs.NodeOpener    = (*cardFile)(nil)
	_ fs.NodeGetattrer = (*cardFile)(nil)
	_ fs.NodeReader    = (*cardFile)(nil)
	_ fs.NodeWriter    = (*cardFile)(nil)
	_ fs.NodeFsyncer   = (*cardFile)(nil)
)

// Open allows reading and writing past the page cache only.
func (f *cardFile) Open(context.Context, uint32) (fs.FileHandle, uint32, syscall.Errno) {
	return nil, fuse.FOPEN_DIRECT_IO, 0
}

// Getattr tells the size.
func (f *cardFile) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	out.Mode = syscall.S_IFREG | 0o600
	out.Size = uint64(f.card.SizeBytes())
	out.Blksize = uint32(f.card.SectorBytes())
	return 0
}

// Read passes a read on.
func (f *cardFile) Read(_ context.Context, _ fs.FileHandle, p []byte, offsetBytes int64) (fuse.ReadResult, syscall.Errno) {
	switch {
	case f.pulled.Load():
		return nil, syscall.EIO
	case !f.live.Load():
		f.card.Bus().Peek(p, offsetBytes)
		return fuse.ReadResultData(p), 0
	}
	n, err := f.card.Bus().ReadAt(p, offsetBytes)
	if err != nil {
		return nil, f.errno(err)
	}
	return fuse.ReadResultData(p[:n]), 0
}

// Write passes a write on.
func (f *cardFile) Write(_ context.Context, _ fs.FileHandle, p []byte, offsetBytes int64) (uint32, syscall.Errno) {
	if f.pulled.Load() {
		return 0, syscall.EIO
	}
	n, err := f.card.Bus().WriteAt(p, offsetBytes)
	if err != nil {
		return 0, f.errno(err)
	}
	return uint32(n), 0
}

// Fsync flushes the card: the loop driver sends it for every flush that the block device is asked for.
func (f *cardFile) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	switch {
	case f.pulled.Load():
		return syscall.EIO
	case !f.live.Load():
		return 0
	}
	return f.errno(f.card.Flush())
}

// errno gives what the kernel is told about an error. A call that the pulling ended fails as those do that come after it.
func (f *cardFile) errno(err error) syscall.Errno {
	var number syscall.Errno
	switch {
	case err == nil:
		return 0
	case f.pulled.Load():
		return syscall.EIO
	case errors.Is(err, flash.ErrGone):
		return syscall.ENODEV
	case errors.Is(err, flash.ErrReadOnly):
		return syscall.EROFS
	case errors.As(err, &number):
		return number
	}
	return syscall.EIO
}

// A backing is a card as a file, in a mounted folder of its own.
type backing struct {
	file   *cardFile
	dir    string
	server *fuse.Server
}

// newBacking mounts a folder with the card's file. The server runs until unmount.
func newBacking(card *cardlab.Card) (*backing, error) {
	dir, err := os.MkdirTemp("", "cardlab")
	if err != nil {
		return nil, err
	}
	b := &backing{file: &cardFile{card: card}, dir: dir}
	forever := 24 * time.Hour
	b.server, err = fs.Mount(dir, &folder{file: b.file}, &fs.Options{
		EntryTimeout: &forever,
		AttrTimeout:  &forever,
		Logger:       log.New(io.Discard, "", 0),
		MountOptions: fuse.MountOptions{
			DirectMountStrict: true,
			FsName:            "cardlab",
			Name:              "cardlab",
			MaxWrite:          requestBytes,
			MaxBackground:     requestsAtOnce,
			DisableXAttrs:     true,
			Logger:            log.New(io.Discard, "", 0),
		},
	})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("mount a FUSE folder: %w", err), os.Remove(dir))
	}
	return b, nil
}

// path is the card's file.
func (b *backing) path() string { return filepath.Join(b.dir, backingName) }

// unmount ends the FUSE server and removes its folder. While a loop device still holds the file, the folder is at least
// taken out of sight, and the server ends with the device.
func (b *backing) unmount() error {
	err := b.server.Unmount()
	if errors.Is(err, unix.EBUSY) {
		err = unix.Unmount(b.dir, unix.MNT_DETACH)
	}
	if err != nil {
		return fmt.Errorf("unmount %s: %w", b.dir, err)
	}
	return os.Remove(b.dir)
}
