package store

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"hash"
	"os"
	"path/filepath"

	"cardwright/flash"
)

// holeBytes is the shortest run of zeros that takes no room. Shorter ones would scatter the file over the disk.
const holeBytes = 64 << 10

// zeros is what a hole reads as.
var zeros [holeBytes]byte

// A draft is an image file that grows in a folder of its own, and the manifest that grows with it. One goroutine uses it.
type draft struct {
	disk     disk
	folder   string
	file     *os.File // locked, so that nobody takes the folder for a leftover
	room     func(wantBytes int64) error
	manifest flash.Manifest
	block    hash.Hash // of the block that is not full yet
	written  int64     // bytes that are no hole
	granted  int64     // bytes that there is room for
}

// newDraft makes the folder and the file of a draft, for whoever keeps others from changing the store.
func newDraft(k disk, folder string) (*draft, error) {
	file, err := k.create(filepath.Join(folder, imageName))
	if err != nil {
		return nil, err
	}
	return &draft{disk: k, folder: folder, file: file, block: sha256.New()}, nil
}

// write appends to the image.
func (d *draft) write(p []byte) error {
	at := d.manifest.ImageBytes
	d.digest(p)
	for len(p) > 0 {
		hole := lengthWhere(p, at, true)
		at, p = at+int64(hole), p[hole:]
		data := lengthWhere(p, at, false)
		if data == 0 {
			continue
		}
		if err := d.grant(int64(data)); err != nil {
			return err
		}
		if err := d.disk.writeAt(d.file, p[:data], at); err != nil {
			return err
		}
		d.written += int64(data)
		at, p = at+int64(data), p[data:]
	}
	return nil
}

// digest takes bytes into the manifest.
func (d *draft) digest(p []byte) {
	for len(p) > 0 {
		n := min(int64(len(p)), flash.BlockBytes-d.manifest.ImageBytes%flash.BlockBytes)
		d.block.Write(p[:n])
		d.manifest.ImageBytes += n
		p = p[n:]
		if d.manifest.ImageBytes%flash.BlockBytes == 0 {
			d.endBlock()
		}
	}
}

func (d *draft) endBlock() {
	d.manifest.Blocks = append(d.manifest.Blocks, flash.Digest(d.block.Sum(nil)))
	d.block.Reset()
}

// lengthWhere is how much of p, which lies at an offset of the image, is zeros, or is not, in pieces between the places where a
// hole may begin.
func lengthWhere(p []byte, offsetBytes int64, zero bool) int {
	n := 0
	for n < len(p) {
		piece := p[n:min(len(p), n+holeBytes-int((offsetBytes+int64(n))%holeBytes))]
		if bytes.Equal(piece, zeros[:len(piece)]) != zero {
			break
		}
		n += len(piece)
	}
	return n
}

// grant makes sure that there is room for some more bytes: for whole blocks, since asking takes time, else for just these. A source
// that states its length has that granted at once.
func (d *draft) grant(moreBytes int64) error {
	exactly := d.written + moreBytes
	if exactly <= d.granted {
		return nil
	}
	want := (exactly + flash.BlockBytes - 1) / flash.BlockBytes * flash.BlockBytes
	err := d.room(want)
	if errors.Is(err, ErrNoRoom) {
		want = exactly
		err = d.room(want)
	}
	if err == nil {
		d.granted = want
	}
	return err
}

// finish gives the file its length and brings it to the medium.
func (d *draft) finish() error {
	if d.manifest.ImageBytes%flash.BlockBytes != 0 {
		d.endBlock()
	}
	if err := d.disk.setSize(d.file, d.manifest.ImageBytes); err != nil {
		return err
	}
	return d.disk.sync(d.file)
}

// discard leaves nothing of the draft.
func (d *draft) discard() error { return errors.Join(d.disk.remove(d.folder), d.file.Close()) }
