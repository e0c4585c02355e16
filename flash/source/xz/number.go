package xz

import "errors"

const maxNumberBytes = 9

// errCut says that a number goes on behind the bytes at hand.
var errCut = errors.New("a number is cut short")

// number reads a number from the start of b: 7 bits in each byte, lowest first, all but the last with the high bit set.
func number(b []byte) (value int64, lengthBytes int, err error) {
	for i, digit := range b[:min(len(b), maxNumberBytes)] {
		value |= int64(digit&0x7f) << (7 * i)
		if digit&0x80 == 0 {
			if digit == 0 && i > 0 {
				return 0, 0, malformed("a number with a superfluous byte")
			}
			return value, i + 1, nil
		}
	}
	if len(b) < maxNumberBytes {
		return 0, 0, errCut
	}
	return 0, 0, malformed("a number of more than 9 bytes")
}

// fields are the bytes of a header that are yet to be read.
type fields []byte

func (f *fields) number() (int64, error) {
	value, n, err := number(*f)
	if errors.Is(err, errCut) {
		err = malformed("a number reaches past its header")
	}
	*f = (*f)[n:]
	return value, err
}

func (f *fields) bytes(n int64) ([]byte, error) {
	if n > int64(len(*f)) {
		return nil, malformed("a field reaches past its header")
	}
	taken := (*f)[:n]
	*f = (*f)[n:]
	return taken, nil
}

func allZero(b []byte) bool {
	for _, v := range b {
		if v != 0 {
			return false
		}
	}
	return true
}
