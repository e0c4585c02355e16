package xz

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
)

const (
	streamHeaderBytes = 12 // magic 6, flags 2, CRC-32 of the flags 4
	footerBytes       = 12 // CRC-32 of what follows it 4, backward size 4, flags 2, "YZ" 2
	headerMagic       = "\xfd7zXZ\x00"
	footerMagic       = "YZ"
	paddingBytes      = 4 // the unit of all padding
)

// streamFlags are a zero byte and the id of the check. They stand in a stream's header and again in its footer.
type streamFlags [2]byte

// takeStreamHeader reads the header of a stream.
func takeStreamHeader(in *input) (streamFlags, error) {
	raw := in.peek(streamHeaderBytes)
	if len(raw) >= len(headerMagic) && string(raw[:6]) != headerMagic {
		return streamFlags{}, malformed("this is no stream header")
	}
	raw, err := in.full(streamHeaderBytes)
	if err != nil {
		return streamFlags{}, err
	}
	flags := streamFlags(raw[6:8])
	if binary.LittleEndian.Uint32(raw[8:]) != crc32.ChecksumIEEE(flags[:]) {
		return flags, fmt.Errorf("%w: stream header", ErrChecksum)
	}
	if flags[0] != 0 {
		return flags, fmt.Errorf("%w: stream flags %x", ErrUnsupported, flags)
	}
	if _, known := checkBytes(flags[1]); !known {
		return flags, fmt.Errorf("%w: check of kind %#x", ErrUnsupported, flags[1])
	}
	in.take(streamHeaderBytes)
	return flags, nil
}

// A footer ends a stream.
type footer struct {
	flags      streamFlags
	indexBytes int64
}

func parseFooter(raw []byte) (footer, error) {
	if string(raw[10:12]) != footerMagic {
		return footer{}, malformed("this is no stream footer")
	}
	if binary.LittleEndian.Uint32(raw) != crc32.ChecksumIEEE(raw[4:10]) {
		return footer{}, fmt.Errorf("%w: stream footer", ErrChecksum)
	}
	return footer{
		flags:      streamFlags(raw[8:10]),
		indexBytes: (int64(binary.LittleEndian.Uint32(raw[4:])) + 1) * 4,
	}, nil
}

// takeFooter reads the footer that must say what header and index of its stream said.
func takeFooter(in *input, want footer) error {
	raw, err := in.full(footerBytes)
	if err != nil {
		return err
	}
	got, err := parseFooter(raw)
	if err != nil {
		return err
	}
	if got != want {
		return malformed("a stream footer disagrees with its stream")
	}
	in.take(footerBytes)
	return nil
}

// takePadding passes over zeros in fours up to the next stream or the end of the file, which is io.EOF.
func takePadding(in *input) error {
	for {
		next := in.peek(len(headerMagic))
		switch {
		case len(next) == 0:
			return in.err
		case len(next) >= paddingBytes && allZero(next[:paddingBytes]):
			in.take(paddingBytes)
		case len(next) < len(headerMagic) && !errors.Is(in.err, io.EOF):
			return in.err
		case bytes.HasPrefix([]byte(headerMagic), next):
			return nil // perhaps cut short, which reading the header will tell
		default:
			return ErrTrailing
		}
	}
}
