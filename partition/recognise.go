package partition

import "math"

// Recognise tells whether prefix, the first bytes of an image whose length may be unknown, begins with a partition table or
// a known file system. 128 KiB suffice for every kind; a shorter prefix is taken as followed by zeros, so that a whole
// image that is shorter is judged as well. A prefix of zeros is not recognised.
func Recognise(prefix []byte) bool {
	table, err := Inspect(zeroPadded{prefix}, math.MaxInt64, 512)
	return err == nil && (table.Kind != SchemeNone || table.FileSystem != nil)
}

// zeroPadded is a prefix followed by zeros without end.
type zeroPadded struct{ prefix []byte }

// ReadAt never fails.
func (z zeroPadded) ReadAt(b []byte, offsetBytes int64) (int, error) {
	clear(b)
	if offsetBytes < int64(len(z.prefix)) {
		copy(b, z.prefix[offsetBytes:])
	}
	return len(b), nil
}
