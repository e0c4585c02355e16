package xz

import "testing"

// What a window held before is held too while it grows.
func TestGrowingTakesHalfAsMuchMoreAtMost(t *testing.T) {
	const chunk = 1 << 16
	for _, dictionaryMiB := range []int64{1, 3, 8, 32, 64, 100, 256, 384} {
		var w window
		w.reset(dictionaryMiB<<20, -1)
		most := 0
		for before := 0; len(w.buf) < w.maxBytes; before = len(w.buf) {
			w.pos = before
			w.buf = make([]byte, w.grownBytes(before+chunk))
			most = max(most, before+len(w.buf))
		}
		if len(w.buf) != w.maxBytes || most > w.maxBytes*3/2 {
			t.Errorf("dictionary of %d MiB: a window of %d bytes for which %d were held", dictionaryMiB, len(w.buf), most)
		}
	}
}
