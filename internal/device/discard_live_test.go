//go:build device

package device_test

import (
	"bytes"
	"errors"
	"testing"

	"cardwright/flash"
	"cardwright/internal/device"
)

// A loop device over a file punches a hole where it is told to discard: zeros are read there, and what lies beside it stays.
func TestLiveDiscardTakesItsRangeAlone(t *testing.T) {
	node, _ := attach(t)
	c := openLive(t, node, fixed)
	old := bytes.Repeat([]byte{0xA5}, 1<<20)
	whole := alignedBuffer(1 << 20)
	copy(whole, old)
	for at := int64(0); at < 16<<20; at += 1 << 20 {
		if _, err := c.WriteAt(whole, at); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(c.Flush(), c.Discard(4<<20, 8<<20), c.DropCache()); err != nil {
		t.Fatal(err)
	}
	for at := int64(0); at < 16<<20; at += 1 << 20 {
		if _, err := c.ReadAt(whole, at); err != nil {
			t.Fatal(err)
		}
		want := old
		if at >= 4<<20 && at < 12<<20 {
			want = make([]byte, 1<<20)
		}
		if !bytes.Equal(whole, want) {
			t.Errorf("at byte %d lies %x", at, whole[:4])
		}
	}
	for _, span := range [][2]int64{{-512, 512}, {0, 0}, {0, liveBytes + 512}, {liveBytes, 512}, {100, 512}, {512, 100}} {
		if err := c.Discard(span[0], span[1]); !errors.Is(err, device.ErrOutside) {
			t.Errorf("%v: %v", span, err)
		}
	}
	reading := openLive(t, node, device.Options{ReadOnly: true})
	if err := reading.Discard(0, 512); !errors.Is(err, flash.ErrReadOnly) {
		t.Errorf("opened for reading: %v", err)
	}
}
