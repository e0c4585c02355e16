//go:build oracle

package xz_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"cardwright/flash/source/xz"
)

// TestBlockOfMoreThan32BitsIsWhole has one block whose last bytes lie behind 4 GiB. The xz tool takes it for as long.
func TestBlockOfMoreThan32BitsIsWhole(t *testing.T) {
	zeros, chunkBytes := zeroChunk(t)
	const tail = "the last card of the stack"
	data := bytes.Clone(zeros)
	decodedBytes := int64(chunkBytes)
	for again := withoutProperties(0xa0|zeros[0]&0x1f, zeros); decodedBytes <= 4<<30; decodedBytes += int64(chunkBytes) {
		data = append(data, again...)
	}
	data = append(data, 2, 0, byte(len(tail)-1))
	data = append(append(data, tail...), 0)
	decodedBytes += int64(len(tail))

	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "in"), file(plainFields, data, decodedBytes), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, want := string(tool(t, folder, "xz -dc < in | wc -c")), fmt.Sprintln(decodedBytes); got != want {
		t.Errorf("xz gives %s bytes, want %s", got, want)
	}
	for name, stated := range map[string]int64{"as it is": decodedBytes, "less 4 GiB": decodedBytes - 4<<30} {
		var seen zeroThen
		r := xz.NewReader(bytes.NewReader(file(plainFields, data, stated)), xz.Options{})
		n, err := io.Copy(&seen, r)
		if string(seen.rest) != tail || n != decodedBytes {
			t.Errorf("%s: %d bytes, the last %q, want %d", name, n, seen.rest, decodedBytes)
		}
		if (stated == decodedBytes) != (err == nil) || err != nil && !errors.Is(err, xz.ErrMalformed) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// zeroThen keeps what comes from the first byte on that is no zero.
type zeroThen struct{ rest []byte }

func (z *zeroThen) Write(p []byte) (int, error) {
	z.rest = append(z.rest, p...)
	if bytes.Equal(p, none[:len(p)]) {
		z.rest = z.rest[:0]
	} else {
		z.rest = bytes.TrimLeft(z.rest, "\x00")
	}
	return len(p), nil
}

var none [2 << 20]byte // as long as any chunk
