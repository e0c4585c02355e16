package store

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/partition"
)

// A Prepared is an entry in use: until it is closed, nobody removes it. Any goroutine may call its methods.
type Prepared struct {
	folder     string
	file       *os.File // holds the lock
	manifest   *flash.Manifest
	facts      source.Facts
	member     string
	table      *partition.Table
	origin     string
	preparedAt time.Time

	mu     sync.Mutex // guards what follows
	blocks *blocks    // for ReadAt
	closed bool
}

func newPrepared(folder string, image *os.File, body *manifestBody, manifest *flash.Manifest) *Prepared {
	p := &Prepared{
		folder: folder, file: image, manifest: manifest, facts: body.Image, member: body.Member, table: body.Table,
		origin: body.Source, preparedAt: body.PreparedAt,
	}
	p.blocks = p.reader()
	return p
}

// reader makes a reader of blocks for one goroutine at a time.
func (p *Prepared) reader() *blocks {
	return &blocks{path: filepath.Join(p.folder, imageName), file: p.file, manifest: p.manifest, held: -1, rotten: p.condemn}
}

// Key is what the entry goes by in the store.
func (p *Prepared) Key() string { return filepath.Base(p.folder) }

// Path is the entry's folder.
func (p *Prepared) Path() string { return p.folder }

// Facts are those of the source, complete, as if it had been read just now under the name that it was found by.
func (p *Prepared) Facts() source.Facts { return p.facts }

// Manifest holds the digests of the image's blocks. It must not be changed.
func (p *Prepared) Manifest() *flash.Manifest { return p.manifest }

// Table is what the image holds. It must not be changed.
func (p *Prepared) Table() *partition.Table { return p.table }

// AllocatedBytes is what the image takes on the disk; 0 where that cannot be told.
func (p *Prepared) AllocatedBytes() int64 {
	info, err := p.file.Stat()
	if err != nil {
		return 0
	}
	return allocatedBytes(info)
}

// ReadAt reads the decoded image at any place, by way of whole blocks, each compared with its digest first. It keeps one block,
// for reads that lie close together. An *Error says that the entry is damaged.
func (p *Prepared) ReadAt(b []byte, offsetBytes int64) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.blocks.ReadAt(b, offsetBytes)
}

// Image gives the image from its start. Several may be read at once, each by one goroutine at a time, until the Prepared is
// closed. ctx governs the image.
func (p *Prepared) Image(ctx context.Context) (*Image, error) {
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	return &Image{
		blocks: p.reader(), facts: p.facts,
		interrupted: func() error { return context.Cause(ctx) },
	}, nil
}

// Close lets the entry go. Closing it again does nothing.
func (p *Prepared) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	return told("open", p.folder, p.file.Close())
}

// condemn keeps an entry that was found rotten from being used again: without its manifest it is damaged, and prepared anew. It
// spares one that took its place meanwhile.
func (p *Prepared) condemn(image *os.File) {
	held, err := image.Stat()
	if err != nil {
		return
	}
	if there, err := os.Stat(filepath.Join(p.folder, imageName)); err == nil && os.SameFile(held, there) {
		_ = os.Remove(filepath.Join(p.folder, manifestName)) // where that fails, the next use finds the rot again
	}
}
