package capacity

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"
)

// A rescue file, in bytes (numbers are little-endian):
//
//	 0   8  the letters "cdwkept1"
//	 8   4  the length of the head, at most 4,096
//	12  32  SHA-256 of the head
//	44   n  the head: JSON with the key of the run's stamps, the time of its start and the card's mark
//
// and then, for each part of the card that the run overwrote, in the order of keeping:
//
//	 0   4  the letters "kept"
//	 4   4  its length: 1 to 1,048,576
//	 8   8  its offset on the card
//	16  32  SHA-256 of the 16 bytes before and the content
//	48   n  the content
//
// Whatever is kept is on the medium before the card is written there. So a part that is cut off, or not what its sum says, was not
// written on the card, unless the file rotted later; either way it is not put back.
const (
	rescueMagic    = "cdwkept1"
	rescueHeadAt   = 44
	mostHeadBytes  = 4096
	entryMagic     = "kept"
	entryContentAt = 48
)

// errRescue says that a file is no rescue, or its head is not whole.
var errRescue = errors.New("no whole rescue")

// A rescueHead says whose content a rescue holds.
type rescueHead struct {
	Key     string    `json:"key"` // of the run's stamps, in hex
	Started time.Time `json:"started"`
	Card    Mark      `json:"card"`
}

// encode gives the first bytes of a rescue.
func (h rescueHead) encode() ([]byte, error) {
	text, err := json.Marshal(h)
	if err == nil && len(text) > mostHeadBytes {
		err = fmt.Errorf("a head of %d bytes; at most %d are kept", len(text), mostHeadBytes)
	}
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	p := binary.LittleEndian.AppendUint32([]byte(rescueMagic), uint32(len(text)))
	return append(append(p, sum[:]...), text...), nil
}

// stamper knows the run's stamps.
func (h rescueHead) stamper() (Stamper, error) {
	key, err := hex.DecodeString(h.Key)
	if err != nil || len(key) != len(Stamper{}.key) {
		return Stamper{}, errRescue
	}
	return Stamper{key: [16]byte(key)}, nil
}

// A keptPart is a part of the card whose content is in the file.
type keptPart struct {
	span
	contentAt int64 // in the file
	sum       [sha256.Size]byte
}

// encode gives the part's bytes in the file, and notes their sum.
func (k *keptPart) encode(content []byte) []byte {
	p := make([]byte, entryContentAt, entryContentAt+len(content))
	k.sum = k.digest(p, content)
	copy(p[16:], k.sum[:])
	return append(p, content...)
}

// digest fills in the first 16 bytes and gives the sum of them and the content.
func (k *keptPart) digest(p, content []byte) (sum [sha256.Size]byte) {
	copy(p, entryMagic)
	binary.LittleEndian.PutUint32(p[4:], uint32(k.lengthBytes))
	binary.LittleEndian.PutUint64(p[8:], uint64(k.offsetBytes))
	hash := sha256.New()
	hash.Write(p[:16]) // documented never to fail
	hash.Write(content)
	return [sha256.Size]byte(hash.Sum(nil))
}

// content reads the part's content into p and compares its sum. Its error is errRescue where that is another.
func (k *keptPart) content(file io.ReaderAt, p []byte) ([]byte, error) {
	p = p[:k.lengthBytes]
	if _, err := file.ReadAt(p, k.contentAt); err != nil {
		return nil, err
	}
	if k.digest(make([]byte, 16), p) != k.sum {
		return nil, errRescue
	}
	return p, nil
}

// readRescue reads the head and lists the parts, whose contents are not looked at. Its error is errRescue or that of a read.
func readRescue(file io.ReaderAt, sizeBytes int64) (head rescueHead, parts []keptPart, err error) {
	in := io.NewSectionReader(file, 0, sizeBytes)
	var begin [rescueHeadAt]byte
	if _, err := io.ReadFull(in, begin[:]); err != nil {
		return head, nil, orShort(err)
	}
	length := binary.LittleEndian.Uint32(begin[8:])
	if string(begin[:8]) != rescueMagic || length > mostHeadBytes {
		return head, nil, errRescue
	}
	text := make([]byte, length)
	if _, err := io.ReadFull(in, text); err != nil {
		return head, nil, orShort(err)
	}
	if sum := sha256.Sum256(text); !bytes.Equal(sum[:], begin[12:]) || json.Unmarshal(text, &head) != nil {
		return head, nil, errRescue
	}
	parts, err = readParts(file, rescueHeadAt+int64(length), sizeBytes)
	return head, parts, err
}

// readParts lists the parts up to the first that is cut off.
func readParts(file io.ReaderAt, at, sizeBytes int64) (parts []keptPart, err error) {
	var begin [entryContentAt]byte
	for sizeBytes-at >= entryContentAt {
		if _, err := file.ReadAt(begin[:], at); err != nil {
			return nil, err
		}
		length := int64(binary.LittleEndian.Uint32(begin[4:]))
		at += entryContentAt
		if string(begin[:4]) != entryMagic || length == 0 || length > pieceBytes || length > sizeBytes-at {
			break
		}
		part := keptPart{contentAt: at, sum: [sha256.Size]byte(begin[16:])}
		part.span = span{int64(binary.LittleEndian.Uint64(begin[8:])), length}
		parts = append(parts, part)
		at += length
	}
	return parts, nil
}

// orShort calls an early end what it is.
func orShort(err error) error {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return errRescue
	}
	return err
}
