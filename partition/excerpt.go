package partition

import (
	"bytes"
	"io"
	"math"
	"slices"
	"sort"
)

const (
	maxHeadBytes    = 4 << 20
	maxExcerptBytes = 16 << 20  // what is kept beside the head
	maxExcerptLooks = 128       // how often the kept parts are inspected for what else is needed
	maxExcerptWants = 1 << 16   // how many ranges are waited for
	startBytesKept  = 128 << 10 // of each partition: every signature lies there
)

// An Excerpt keeps, while an image streams past, the parts of it that Inspect needs: so the image's table comes from its
// source, not from the card that is to be held against it. It finds out what is needed by inspecting what it has: whatever
// that reads in vain is wanted, and is kept when it passes. An Excerpt keeps at most 16 MiB beside the head; what it did not
// keep is read from behind its View. It must not be used by two goroutines at once.
type Excerpt struct {
	kept      []piece // by offset, without overlap
	keptBytes int64
	wanted    []span // by offset; may overlap
	looks     int
	sizeBytes int64
}

// A piece is a run of the image's bytes.
type piece struct {
	offsetBytes int64
	data        []byte
}

func (p piece) end() int64 { return p.offsetBytes + int64(len(p.data)) }

// A span is a range of the image's bytes.
type span struct{ start, end int64 }

// NewExcerpt starts with a copy of the image's first bytes, of which 4 MiB are used at most.
func NewExcerpt(head []byte) *Excerpt {
	// The length of an image is often unknown until its end, so the largest stands for it: the medium's end never passes.
	e := &Excerpt{sizeBytes: math.MaxInt64 - math.MaxInt64%4096}
	if len(head) > 0 {
		e.kept = []piece{{0, bytes.Clone(head[:min(len(head), maxHeadBytes)])}}
	}
	e.look()
	return e
}

// ExpectSize tells how long the image will be, where that is known before its end. Then what lies at the image's end is kept
// even if nothing in the head points to it.
func (e *Excerpt) ExpectSize(imageBytes int64) {
	if imageBytes > 0 {
		e.sizeBytes = imageBytes
		e.look()
	}
}

// Observe keeps of one block of the image what is needed, and does not hold on to the block itself. Blocks are shown in the
// order of the image; one that was left out is read from behind.
func (e *Excerpt) Observe(offsetBytes int64, block []byte) {
	if offsetBytes < 0 || int64(len(block)) > math.MaxInt64-offsetBytes {
		return
	}
	// A look can want more of this same block, such as a directory behind its boot sector.
	for e.keepFrom(offsetBytes, block) && e.looks < maxExcerptLooks {
		e.look()
	}
}

// keepFrom copies the wanted ranges out of a block, and says whether there were any.
func (e *Excerpt) keepFrom(offsetBytes int64, block []byte) bool {
	end, added := offsetBytes+int64(len(block)), false
	for _, want := range e.wanted {
		start, stop := max(want.start, offsetBytes), min(want.end, end)
		for _, gap := range e.gaps(start, stop) {
			length := gap.end - gap.start
			if e.keptBytes+length > maxExcerptBytes {
				return added
			}
			e.keep(piece{gap.start, bytes.Clone(block[gap.start-offsetBytes : gap.end-offsetBytes])})
			e.keptBytes += length
			added = true
		}
	}
	return added
}

func (e *Excerpt) keep(p piece) {
	at := sort.Search(len(e.kept), func(i int) bool { return e.kept[i].offsetBytes >= p.offsetBytes })
	e.kept = slices.Insert(e.kept, at, p)
}

// gaps gives the parts of a range that were not kept.
func (e *Excerpt) gaps(start, end int64) []span {
	var gaps []span
	first := sort.Search(len(e.kept), func(i int) bool { return e.kept[i].end() > start })
	for _, p := range e.kept[first:] {
		if p.offsetBytes >= end || start >= end {
			break
		}
		if p.offsetBytes > start {
			gaps = append(gaps, span{start, p.offsetBytes})
		}
		start = max(start, p.end())
	}
	if start < end {
		gaps = append(gaps, span{start, end})
	}
	return gaps
}

// look inspects what was kept, and wants what that missed.
func (e *Excerpt) look() {
	e.looks++
	e.wanted = e.wanted[:0]
	table, err := Inspect(wanting{e}, e.sizeBytes, ImageSectorBytes)
	if err != nil {
		return // a size of less than a sector: there is nothing to want
	}
	for i := range table.Partitions {
		if start, _, ok := table.span(&table.Partitions[i]); ok && start <= math.MaxInt64-startBytesKept {
			e.want(int64(start), int64(start)+startBytesKept)
		}
	}
}

func (e *Excerpt) want(start, end int64) {
	if len(e.wanted) < maxExcerptWants {
		e.wanted = append(e.wanted, e.gaps(start, end)...)
	}
}

// wanting reads what was kept, zeros elsewhere, and wants those.
type wanting struct{ excerpt *Excerpt }

// ReadAt never fails.
func (w wanting) ReadAt(b []byte, offsetBytes int64) (int, error) {
	w.excerpt.want(offsetBytes, offsetBytes+int64(len(b)))
	clear(b)
	w.excerpt.overlay(b, offsetBytes)
	return len(b), nil
}

func (e *Excerpt) overlay(b []byte, offsetBytes int64) {
	end := offsetBytes + int64(len(b))
	first := sort.Search(len(e.kept), func(i int) bool { return e.kept[i].end() > offsetBytes })
	for _, p := range e.kept[first:] {
		if p.offsetBytes >= end {
			return
		}
		start := max(p.offsetBytes, offsetBytes)
		copy(b[start-offsetBytes:], p.data[start-p.offsetBytes:])
	}
}

// View gives what was kept, laid over behind, for Inspect. Where behind is nil, what was not kept reads as zeros. A read
// that was kept as a whole does not touch behind.
func (e *Excerpt) View(behind io.ReaderAt) io.ReaderAt {
	return view{excerpt: e, behind: behind}
}

type view struct {
	excerpt *Excerpt
	behind  io.ReaderAt
}

// ReadAt fails only where behind does.
func (v view) ReadAt(b []byte, offsetBytes int64) (int, error) {
	clear(b)
	if v.behind != nil && len(v.excerpt.gaps(offsetBytes, offsetBytes+int64(len(b)))) > 0 {
		if n, err := v.behind.ReadAt(b, offsetBytes); n < len(b) {
			return n, err
		}
	}
	v.excerpt.overlay(b, offsetBytes)
	return len(b), nil
}
