package source

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zstd"
)

const zstdMagic = "\x28\xb5\x2f\xfd"

func isZstd(start []byte) bool {
	return len(start) >= 4 && (string(start[:4]) == zstdMagic || isSkippable(start))
}

// isSkippable tells a frame that decoders pass over: 50..5F 2A 4D 18, then its length in 4 bytes.
func isSkippable(start []byte) bool {
	return len(start) >= 4 && start[0]&0xf0 == 0x50 && string(start[1:4]) == "\x2a\x4d\x18"
}

// zstdFrames hands the decoder whole frames, block by block, and leaves out skippable ones. It knows where each frame ends,
// and it refuses a window before the decoder takes the memory for it.
//
//	frame:  magic 4, header 2..14, blocks, checksum 4 if the header says so
//	block:  header 3 (bit 0 last, bits 1-2 kind, bits 3-23 size), content
type zstdFrames struct {
	in             *input
	maxWindowBytes uint64
	pending        []byte // header bytes to hand on
	contentBytes   int64  // block content or checksum to hand on
	inFrame        bool
	lastBlock      bool
	checksum       bool
	err            error
}

func (f *zstdFrames) Read(p []byte) (int, error) {
	for f.err == nil {
		if len(f.pending) > 0 {
			n := copy(p, f.pending)
			f.pending = f.pending[n:]
			return n, nil
		}
		if f.contentBytes > 0 {
			n, err := f.in.Read(p[:min(int64(len(p)), f.contentBytes)])
			f.contentBytes -= int64(n)
			f.err = noEOF(err)
			return n, f.err
		}
		f.err = f.advance()
	}
	return 0, f.err
}

// advance takes the next piece of structure; io.EOF only between frames.
func (f *zstdFrames) advance() error {
	switch {
	case !f.inFrame:
		return f.nextFrame()
	case !f.lastBlock:
		return f.nextBlock()
	case f.checksum:
		f.checksum = false
		f.contentBytes = 4
		return nil
	default:
		f.inFrame = false
		return nil
	}
}

func (f *zstdFrames) nextFrame() error {
	start, err := f.in.Peek(zstd.HeaderMaxSize)
	if len(start) == 0 {
		return err
	}
	if isSkippable(start) {
		return f.skipFrame(start)
	}
	if len(start) < 4 || string(start[:4]) != zstdMagic {
		return ErrTrailing
	}
	var header zstd.Header
	if err := header.Decode(start); err != nil {
		return zstdHeaderError(err)
	}
	if err := f.admit(header); err != nil {
		return err
	}
	f.pending = append(f.pending[:0], start[:header.HeaderSize]...)
	f.inFrame, f.lastBlock, f.checksum = true, false, header.HasCheckSum
	_, err = f.in.Discard(header.HeaderSize)
	return err
}

// zstdHeaderError tells a cut header from a wrong one.
func zstdHeaderError(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return noEOF(err)
	}
	return fmt.Errorf("%w: %w", ErrMalformed, err)
}

// admit refuses what cannot be decoded within the limits.
func (f *zstdFrames) admit(header zstd.Header) error {
	window := header.WindowSize
	if header.SingleSegment {
		window = header.FrameContentSize // all of the frame is its window
	}
	if window > f.maxWindowBytes {
		return fmt.Errorf("%w: a zstd window of %d bytes, at most %d are allowed", ErrTooMuchMemory, window, f.maxWindowBytes)
	}
	if header.DictionaryID != 0 {
		return fmt.Errorf("%w: zstd dictionary %d", ErrUnsupported, header.DictionaryID)
	}
	return nil
}

func (f *zstdFrames) skipFrame(start []byte) error {
	if len(start) < 8 {
		return noEOF(io.EOF)
	}
	return f.in.skip(8 + int64(binary.LittleEndian.Uint32(start[4:])))
}

func (f *zstdFrames) nextBlock() error {
	var header [3]byte
	if err := f.in.full(header[:]); err != nil {
		return err
	}
	last, content, err := zstdBlock(header)
	if err != nil {
		return err
	}
	f.pending = append(f.pending[:0], header[:]...)
	f.lastBlock, f.contentBytes = last, content
	return nil
}

// zstdBlock reads a block header: whether it is the frame's last, and how many bytes of content follow.
func zstdBlock(header [3]byte) (last bool, contentBytes int64, err error) {
	const (
		repeatedByte = 1
		reserved     = 3
	)
	value := int64(header[0]) | int64(header[1])<<8 | int64(header[2])<<16
	size := value >> 3
	switch value >> 1 & 3 {
	case reserved:
		return false, 0, fmt.Errorf("%w: reserved zstd block kind", ErrMalformed)
	case repeatedByte:
		size = 1
	}
	return value&1 != 0, size, nil
}

// planZstd adds up the content sizes of all frames; -1 where one states none or the walk fails.
func planZstd(file io.ReaderAt, sizeBytes int64) int64 {
	if file == nil {
		return -1
	}
	var total, at int64
	buffer := make([]byte, zstd.HeaderMaxSize)
	for at < sizeBytes {
		n, _ := file.ReadAt(buffer, at)
		var header zstd.Header
		if err := header.Decode(buffer[:n]); err != nil {
			return -1
		}
		at += int64(header.HeaderSize)
		if header.Skippable {
			at += int64(header.SkippableSize)
			continue
		}
		content := int64(header.FrameContentSize)
		if !header.HasFCS || content < 0 || total+content < total {
			return -1
		}
		total += content
		if at = skipZstdBlocks(file, at, sizeBytes); at < 0 {
			return -1
		}
		if header.HasCheckSum {
			at += 4
		}
	}
	return total
}

// skipZstdBlocks gives the place behind a frame's last block, -1 where there is none.
func skipZstdBlocks(file io.ReaderAt, at, sizeBytes int64) int64 {
	for at < sizeBytes {
		var header [3]byte
		if _, err := file.ReadAt(header[:], at); err != nil {
			return -1
		}
		last, content, err := zstdBlock(header)
		if err != nil {
			return -1
		}
		if at += int64(len(header)) + content; last {
			return at
		}
	}
	return -1
}
