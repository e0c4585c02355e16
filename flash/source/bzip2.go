package source

import (
	"bytes"
	"compress/bzip2"
	"errors"
	"fmt"
	"io"
)

const (
	bzip2BlockMagic = "\x31\x41\x59\x26\x53\x59"
	bzip2EndMagic   = 0x177245385090 // 48 bits, at any bit position
)

func isBzip2(start []byte) bool {
	return len(start) >= 10 && string(start[:3]) == "BZh" && start[3] >= '1' && start[3] <= '9' &&
		(string(start[4:10]) == bzip2BlockMagic || string(start[4:10]) == "\x17\x72\x45\x38\x50\x90")
}

// A bzip2Reader decodes one or more bzip2 streams. The library goes on to the next stream by itself and reports a wrong
// checksum, odd bits and garbage behind the end in one error type; only the last of these can be told apart, by the bytes
// it took.
type bzip2Reader struct {
	recent  *recentBytes
	decoder io.Reader
}

func newBzip2(in *input) io.Reader {
	recent := &recentBytes{in: in}
	return &bzip2Reader{recent: recent, decoder: bzip2.NewReader(recent)}
}

func (b *bzip2Reader) Read(p []byte) (int, error) {
	n, err := b.decoder.Read(p)
	if err == nil || err == io.EOF { // the library returns io.EOF itself
		return n, err
	}
	var structural bzip2.StructuralError
	isStructural := errors.As(err, &structural)
	switch {
	case (isStructural || errors.Is(err, io.ErrUnexpectedEOF)) && trailsBzip2(b.recent.last()):
		return n, ErrTrailing
	case isStructural:
		return n, fmt.Errorf("%w: %w", ErrMalformed, err)
	default:
		return n, err
	}
}

// trailsBzip2 tells whether the taken bytes end with a complete stream and one to four bytes that start no other.
func trailsBzip2(taken []byte) bool {
	for rest := 1; rest <= 4 && rest < len(taken); rest++ {
		stream, after := taken[:len(taken)-rest], taken[len(taken)-rest:]
		if endsBzip2Stream(stream) && !bytes.HasPrefix([]byte("BZh"), after) {
			return true
		}
	}
	return false
}

// endsBzip2Stream looks for the end mark, which is followed by 32 bits of checksum and 0 to 7 bits of filling.
func endsBzip2Stream(taken []byte) bool {
	const tailBytes = 11 // 48 + 32 + 7 bits
	if len(taken) < tailBytes {
		return false
	}
	tail := taken[len(taken)-tailBytes:]
	var high uint64 // the first 8 bytes: all bits of the mark are among the first 55
	for _, b := range tail[:8] {
		high = high<<8 | uint64(b)
	}
	for filling := range 8 {
		// The mark ends 32+filling bits before the end of the 88 bits, so 32+filling-24 before the end of high.
		if high>>(8+filling)&(1<<48-1) == bzip2EndMagic {
			return true
		}
	}
	return false
}

// recentBytes remembers the last bytes that the decoder took.
type recentBytes struct {
	in    *input
	bytes [16]byte
	taken int
}

// Read is there for the library's signature; it takes byte after byte.
func (r *recentBytes) Read(p []byte) (int, error) { return 0, errors.ErrUnsupported }

func (r *recentBytes) ReadByte() (byte, error) {
	b, err := r.in.ReadByte()
	if err == nil {
		r.bytes[r.taken%len(r.bytes)] = b
		r.taken++
	}
	return b, err
}

// last gives the remembered bytes in order.
func (r *recentBytes) last() []byte {
	if r.taken < len(r.bytes) {
		return r.bytes[:r.taken]
	}
	at := r.taken % len(r.bytes)
	return append(append([]byte{}, r.bytes[at:]...), r.bytes[:at]...)
}
