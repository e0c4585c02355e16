package xz

import (
	"bytes"
	"errors"
	"io"
)

// startBlock takes a block's header and hands the block out, or begins to decode it alone.
func (r *Reader) startBlock() error {
	start := r.in.offset()
	header, raw, err := takeBlockHeader(r.in, r.options.MaxDictionaryBytes)
	if err != nil {
		return err
	}
	r.place(waitingBlock{header: header, raw: raw, startOffset: start})
	return nil
}

// place hands a block out or begins to decode it alone, or lets it wait until that is possible.
func (r *Reader) place(w waitingBlock) {
	t := &r.team
	size, fits := r.sized(w)
	if t.busy() && (!fits || t.memory+size.memory > r.options.MemoryBytes) {
		w.raw = bytes.Clone(w.raw)
		t.waiting, t.full = &w, true
		return
	}
	t.waiting = nil
	if fits {
		r.handOut(size, w)
		return
	}
	if r.alone == nil {
		r.alone = new(block)
		if r.options.Workers > 1 {
			r.alone.check.sumBeside()
		}
	}
	r.inBlock = true
	r.alone.begin(r.in, w.header, r.flags[1])
	t.makeRoom(int64(r.alone.window.maxBytes))
}

// A jobSize is what a block takes as a job.
type jobSize struct {
	checked  int64 // packed data and check
	payload  int64 // packed data, padding and check
	input    int64 // what packed bytes are looked at through
	decoded  int64
	filtered int64 // what went through filters, if there are any
	memory   int64 // all of it
	planned  bool  // nothing but the plan says so
}

// sized gives what a block would take as a job; false if it should be decoded alone: there is one worker, nothing says how
// large it is, or no two like it would fit into memory.
func (r *Reader) sized(w waitingBlock) (jobSize, bool) {
	if r.options.Workers < 2 {
		return jobSize{}, false
	}
	lengthBytes, _ := checkBytes(r.flags[1])
	packed, s := w.header.packedBytes, jobSize{decoded: w.header.decodedBytes}
	if packed < 0 || s.decoded < 0 {
		p, known := r.team.plannedAt(w.startOffset)
		if !known || packed >= 0 || s.decoded >= 0 {
			return s, false
		}
		packed, s.decoded, s.planned = p.UnpaddedBytes-w.header.headerBytes-int64(lengthBytes), p.DecodedBytes, true
	}
	half := r.options.MemoryBytes / 2
	if packed <= 0 || packed > half || s.decoded < 0 || s.decoded > half {
		return s, false
	}
	s.checked = packed + int64(lengthBytes)
	s.payload = (packed+3)&^3 + int64(lengthBytes)
	s.input = min(s.payload, inputBytes) + chunkBytes
	s.memory = jobBytes + s.payload + s.input + s.decoded
	if n := int64(len(w.header.filters)); n > 0 {
		s.filtered = s.decoded
		s.memory += s.filtered + n*min(s.decoded, stageBytes)
	}
	return s, s.memory <= half
}

// handOut reads the packed bytes of a block and starts the job. If they do not all come, the job ends with the reason, after
// it decoded what there is.
func (r *Reader) handOut(size jobSize, w waitingBlock) {
	if r.alone != nil && r.team.heldBytes()+int64(cap(r.alone.window.buf))+size.memory > r.options.MemoryBytes {
		r.alone = nil
	}
	j, base := r.team.newJob(size), r.in.offset()
	j.header, j.checkID, j.planned = w.header, r.flags[1], size.planned
	j.stated = record{w.header.headerBytes + size.checked, size.decoded}
	j.before, j.endOffset, j.whole = r.blocks, base+size.payload, true
	r.blocks = r.blocks.with(j.stated)
	j.raw = append(j.raw[:0], w.raw...)
	for missing := size.payload; missing > 0 && j.whole; {
		p := r.team.newPiece(missing)
		n := r.in.read(p)
		j.whole = n == len(p)
		j.pieces = append(j.pieces, p[:n])
		j.memory += int64(cap(p) - len(p))
		missing -= int64(n)
	}
	err := r.in.err
	if err == nil {
		err = io.EOF // nothing is behind the block but what it has no right to
	}
	j.input.giveFrom(base, j.pieces, err)
	r.team.start(j)
}

// startOver goes back to the start of a block that turned out not to be what the plan said. It and all that follows is
// decoded without the plan.
func (r *Reader) startOver(failed *job) {
	var pieces [][]byte
	for _, j := range append([]*job{failed}, r.team.jobs...) {
		pieces = append(append(pieces, j.raw), j.pieces...)
	}
	if r.team.waiting != nil {
		pieces = append(pieces, r.team.waiting.raw)
	}
	r.team.stop()
	r.options.Plan, r.blocks = nil, failed.before
	r.team = team{}
	r.team.begin(r.options)
	r.in.giveAgain(pieces)
}

// endOf makes the end of a block no error.
func endOf(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}
