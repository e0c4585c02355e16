package capacity_test

import (
	"bytes"
	"hash/crc32"
	"testing"

	"cardwright/internal/capacity"
)

// TestStampTellsItsPlaceAndRun reads what was filled, and nothing that differs from it in a single bit.
func TestStampTellsItsPlaceAndRun(t *testing.T) {
	ours, others := capacity.NewStamper("ours"), capacity.NewStamper("others")
	p := make([]byte, 2*capacity.StampBytes)
	const at = 3 << 40
	ours.Fill(p, at, 9)
	for i, sector := range [][]byte{p[:512], p[512:]} {
		want := capacity.Reading{Sound: true, Ours: true, OffsetBytes: at + int64(i)*512, Pass: 9}
		if got := ours.Read(sector); got != want {
			t.Errorf("stamp %d: %+v", i, got)
		}
		want.Ours = false
		if got := others.Read(sector); got != want {
			t.Errorf("stamp %d, to another run: %+v", i, got)
		}
	}
	for bit := range 512 * 8 {
		spoilt := bytes.Clone(p[:512])
		spoilt[bit/8] ^= 1 << (bit % 8)
		if got := ours.Read(spoilt); got != (capacity.Reading{}) {
			t.Fatalf("bit %d: %+v", bit, got)
		}
	}
	// The layout as the comment draws it.
	if string(p[:8]) != "cdwstamp" || p[24+5] != 3 || p[32] != 9 || crc32.ChecksumIEEE(p[:508]) != le32(p[508:]) {
		t.Errorf("% x ... % x", p[:40], p[508:512])
	}
}

func le32(p []byte) uint32 {
	return uint32(p[0]) | uint32(p[1])<<8 | uint32(p[2])<<16 | uint32(p[3])<<24
}
