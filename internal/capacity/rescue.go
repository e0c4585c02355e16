package capacity

import (
	"bytes"
	"encoding/hex"
	"errors"
	"os"
	"strings"
	"time"

	"cardwright/flash"
)

// rescuePrefix begins the names of rescues; a random text of rand.Text follows.
const rescuePrefix = "rescue-"

// isRescueName tells whether a file bears such a name. The folder may be one that the operator named and keeps other files in: these are
// neither opened nor deleted.
func isRescueName(name string) bool {
	text, ok := strings.CutPrefix(name, rescuePrefix)
	return ok && len(text) >= leastRandom && strings.Trim(text, base32Digits) == ""
}

// base32Digits (RFC 4648) are what rand.Text gives leastRandom of at the least: 128 bits, by its documentation.
const (
	base32Digits = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
	leastRandom  = 26
)

// A rescue is the content of all that a quick check overwrites, in a file (rescuefile.go). A nil rescue keeps nothing.
type rescue struct {
	folder  folder
	file    *os.File
	stamper Stamper
	parts   []keptPart
	kept    map[int64]int // which part holds a unit
	unit    int64
}

// newRescue makes a rescue of a run's card, with its head on the medium and its name in the folder's list.
func newRescue(o Options, stamper Stamper, card flash.Card, unitBytes int64) (*rescue, error) {
	r := &rescue{folder: folder{o.Folder, o.before}, stamper: stamper, kept: map[int64]int{}, unit: unitBytes}
	o.Card.SizeBytes = card.SizeBytes()
	head, err := rescueHead{hex.EncodeToString(stamper.key[:]), time.Now(), o.Card}.encode()
	if err != nil {
		return nil, err
	}
	if err := r.folder.open(); err != nil {
		return nil, err
	}
	if r.file, err = r.folder.create(rescuePrefix); err != nil {
		return nil, err
	}
	err = r.folder.write(r.file, head)
	if err == nil {
		err = r.folder.sync(r.file)
	}
	if err == nil {
		err = r.folder.syncList()
	}
	if err != nil {
		return nil, errors.Join(err, r.discard())
	}
	return r, nil
}

// holds tells whether a unit is kept already.
func (r *rescue) holds(offsetBytes int64) bool {
	if r == nil {
		return false
	}
	_, held := r.kept[offsetBytes]
	return held
}

// keep appends what the card holds at a place. It is safe only after the next sync.
func (r *rescue) keep(content []byte, offsetBytes int64) error {
	at, err := r.file.Seek(0, 2)
	if err != nil {
		return err
	}
	part := keptPart{span: span{offsetBytes, int64(len(content))}, contentAt: at + entryContentAt}
	if err := r.folder.write(r.file, part.encode(content)); err != nil {
		return err
	}
	for at := part.offsetBytes; at < part.end(); at += r.unit {
		r.kept[at] = len(r.parts)
	}
	r.parts = append(r.parts, part)
	return nil
}

// sync makes all that was kept safe.
func (r *rescue) sync() error {
	if r == nil {
		return nil
	}
	return r.folder.sync(r.file)
}

// before gives what the card held at a unit, nothing where that is not known.
func (r *rescue) before(offsetBytes int64, lengthBytes int) []byte {
	if !r.holds(offsetBytes) {
		return nil
	}
	part := r.parts[r.kept[offsetBytes]]
	content := make([]byte, lengthBytes)
	if _, err := r.file.ReadAt(content, part.contentAt+offsetBytes-part.offsetBytes); err != nil {
		return nil
	}
	return content
}

// discard deletes the file.
func (r *rescue) discard() error {
	return errors.Join(r.folder.remove(r.file.Name()), r.file.Close())
}

// isStampOf tells whether a sector was stamped by this run, also where it suffered since: nothing else begins with the run's key.
func (s Stamper) isStampOf(sector []byte) bool {
	return bytes.HasPrefix(sector, []byte(stampMagic)) && bytes.HasPrefix(sector[stampKeyAt:], s.key[:])
}
