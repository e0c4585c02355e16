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

// TestJobThatGrowsHoldsNothingOfBefore gives a job of another block, with a result given out, to a larger block.
func TestJobThatGrowsHoldsNothingOfBefore(t *testing.T) {
	small := &job{block: new(block), filtered: make([]byte, 1<<20)}
	small.block.window.buf = make([]byte, 1<<20)
	small.result = small.block.window.buf[:1000]
	team := team{maxMemory: 8 << 20, lent: small}
	team.giveBack()
	if len(team.idle) != 1 {
		t.Fatal("the job is not kept to be used again")
	}
	j := team.newJob(jobSize{decoded: 2 << 20, filtered: 2 << 20, memory: 4 << 20})
	if j != small || j.result != nil || j.block.window.buf != nil || j.filtered != nil {
		t.Errorf("%d, %d and %d bytes are held beside what the job will take", len(j.result), len(j.block.window.buf), cap(j.filtered))
	}
}
