package xz

import (
	"errors"
	"slices"
	"sync"
	"sync/atomic"
)

// A team decodes several blocks at the same time. Only the goroutine that calls Read reads the source: it hands out blocks
// whose packed bytes it has, and takes the results in the order of the file. A goroutine of the team does nothing but decode
// one block, and ends with it, so that nobody ever waits for one that waits for the source.
type team struct {
	jobs      []*job   // in the order of the file
	idle      []*job   // whose memory is used again
	spare     [][]byte // memory for packed bytes, to be used again
	lent      *job     // whose result was given out last
	plan      []PlannedBlock
	memory    int64 // that jobs and the result take
	waiting   *waitingBlock
	ahead     error // what came up in the source behind the blocks that are handed out
	running   sync.WaitGroup
	stopped   atomic.Bool
	turns     chan struct{} // one for each worker
	maxMemory int64
	full      bool // a result must be taken before anything is handed out
}

// A waitingBlock is one that waits for memory, or for all jobs to end so that it can be decoded alone.
type waitingBlock struct {
	header      blockHeader
	raw         []byte // the header
	startOffset int64
}

// A job is one block.
type job struct {
	block     *block
	input     input
	header    blockHeader
	checkID   byte
	raw       []byte   // the header
	pieces    [][]byte // packed data and check, as they came
	planned   bool     // nothing but the plan says how large it is
	whole     bool     // all of the pieces came
	before    listSum  // of the blocks before it
	stated    record   // its size, by its header or by the plan
	memory    int64
	endOffset int64
	result    []byte
	filtered  []byte // the result's memory where there are filters
	err       error
	done      chan struct{}
	ended     atomic.Bool // done, and known without asking
}

func (t *team) begin(options Options) {
	t.plan, t.maxMemory = options.Plan, options.MemoryBytes
	t.turns = make(chan struct{}, options.Workers)
}

// doubtful tells whether only the plan says where a block that was handed out ends.
func (t *team) doubtful() bool {
	return slices.ContainsFunc(t.jobs, func(j *job) bool { return j.planned })
}

// busy tells whether blocks were handed out whose results were not taken.
func (t *team) busy() bool { return len(t.jobs) > 0 }

// mustWait tells whether the next step is to take a result. One that is there waits until the workers have what to do
// next: else they would rest while it is delivered.
func (t *team) mustWait() bool {
	return t.full || t.busy() && (t.ahead != nil || len(t.jobs) > cap(t.turns) && t.jobs[0].ended.Load())
}

// first waits for the oldest job and takes it. Its result stays until it is given back.
func (t *team) first() *job {
	j := t.jobs[0]
	<-j.done
	t.jobs = slices.Delete(t.jobs, 0, 1)
	t.full, t.lent = false, j
	return j
}

// giveBack makes the memory of the result that was given out last free for another job.
func (t *team) giveBack() {
	if t.lent == nil {
		return
	}
	t.releasePieces(t.lent)
	t.memory -= t.lent.memory
	t.lent.result = nil // which would keep the window that it lies in, also when the job has a larger one
	if t.heldBytes()+t.lent.heldBytes() <= t.maxMemory {
		t.idle = append(t.idle, t.lent)
	}
	t.lent = nil
}

// heldBytes is what is in use and what is kept to be used again.
func (t *team) heldBytes() int64 {
	held := t.memory + int64(len(t.spare))*pieceBytes
	for _, j := range t.idle {
		held += j.heldBytes()
	}
	return held
}

// heldBytes is what a job keeps to be used again.
func (j *job) heldBytes() int64 { return j.takes(jobSize{memory: jobBytes}) }

// jobBytes is what a job takes whatever its block's size: its model, and the tables of its check.
const jobBytes = 64 << 10

// takes is how much a job of that size takes, with the memory that it kept.
func (j *job) takes(size jobSize) int64 {
	return size.memory + beyond(cap(j.block.window.buf), size.decoded) + beyond(cap(j.filtered), size.filtered) +
		beyond(cap(j.input.buf), size.input)
}

// dropSmaller gives up what is too small for a job of that size before the job takes larger memory, so that the two are never
// held beside each other.
func (j *job) dropSmaller(size jobSize) {
	if int64(cap(j.block.window.buf)) < size.decoded {
		j.block.window.buf = nil
	}
	if int64(cap(j.filtered)) < size.filtered {
		j.filtered = nil
	}
	if int64(cap(j.input.buf)) < size.input {
		j.input.buf = nil
	}
}

// beyond is how much more is held than is needed.
func beyond(held int, needed int64) int64 { return max(0, int64(held)-needed) }

// pieceBytes is how much memory is taken at a time for packed bytes, as they come and not as a header promises.
const pieceBytes = 256 << 10

// newPiece gives memory for so many packed bytes, or for the first of them. That of decoded blocks is used again, unless
// decoding may have to start over.
func (t *team) newPiece(forBytes int64) []byte {
	for _, j := range t.jobs {
		if j.planned {
			break
		}
		if len(t.spare) == 0 && j.ended.Load() {
			t.releasePieces(j)
		}
	}
	length, n := min(forBytes, pieceBytes), len(t.spare)
	if n == 0 {
		return make([]byte, length)
	}
	p := t.spare[n-1]
	t.spare = slices.Delete(t.spare, n-1, n)
	return p[:length]
}

// releasePieces keeps the memory of a job's packed bytes to be used again, as far as all that is held stays in its bounds.
func (t *team) releasePieces(j *job) {
	for _, p := range j.pieces {
		j.memory -= int64(cap(p))
		t.memory -= int64(cap(p))
		if cap(p) == pieceBytes && t.heldBytes()+pieceBytes <= t.maxMemory {
			t.spare = append(t.spare, p)
		}
	}
	clear(j.pieces)
	j.pieces = j.pieces[:0]
}

// start hands a job out.
func (t *team) start(j *job) {
	t.memory += j.memory
	t.jobs = append(t.jobs, j)
	t.full = len(t.jobs) >= 2*cap(t.turns)
	j.ended.Store(false)
	t.running.Go(func() { // ends with the block, or soon after stop
		t.turns <- struct{}{}
		j.run(&t.stopped)
		<-t.turns
		j.ended.Store(true)
		j.done <- struct{}{}
	})
}

// stop ends all jobs and waits for them.
func (t *team) stop() {
	t.stopped.Store(true)
	t.running.Wait()
	t.jobs, t.idle, t.spare, t.waiting, t.ahead = nil, nil, nil, nil, nil
}

// newJob gives a job of that size, with the memory of another where that fits.
func (t *team) newJob(size jobSize) *job {
	fromSpare := min(int64(len(t.spare))*pieceBytes, size.payload)
	if n := len(t.idle); n > 0 {
		j := t.idle[n-1]
		takes := j.takes(size)
		if t.heldBytes()-j.heldBytes()+takes-fromSpare <= t.maxMemory {
			t.idle = slices.Delete(t.idle, n-1, n)
			j.memory = takes
			j.dropSmaller(size)
			return j
		}
	}
	t.makeRoom(size.memory - fromSpare)
	return &job{block: new(block), memory: size.memory, done: make(chan struct{}, 1)}
}

// makeRoom gives up all that is kept to be used again if so much more would not fit beside it.
func (t *team) makeRoom(moreBytes int64) {
	if t.heldBytes()+moreBytes > t.maxMemory {
		t.idle, t.spare = nil, nil
	}
}

// run decodes the block. Its bytes lie in the window, or where they went through filters, in a slice of their own.
func (j *job) run(stopped *atomic.Bool) {
	b := j.block
	b.begin(&j.input, j.header, j.checkID)
	b.window.keepWhole(j.stated.decodedBytes)
	b.decodedLimit = j.stated.decodedBytes
	j.filtered = j.filtered[:0]
	if j.whole { // so that the size is no mere promise
		b.window.reserve()
		if len(b.chain) > 0 {
			j.filtered = slices.Grow(j.filtered, int(j.stated.decodedBytes))
		}
	}
	for j.err = nil; j.err == nil && !stopped.Load(); {
		var piece []byte
		if piece, j.err = b.next(); len(b.chain) > 0 {
			j.filtered = append(j.filtered, piece...)
		}
	}
	clear(b.chain) // what filters took is not kept
	j.result = j.filtered
	if len(b.chain) == 0 {
		j.result = b.window.buf[:b.decodedBytes]
	}
	j.err = endOf(j.err)
	if j.err == nil && j.stated != (record{b.unpaddedBytes, b.decodedBytes}) {
		j.err = errNotAsPlanned // what a header states, the block has compared itself
	}
}

// errNotAsPlanned never leaves the package: such a block is decoded once more.
var errNotAsPlanned = errors.New("the plan was wrong")

// plannedAt gives what the plan says of the block at that offset.
func (t *team) plannedAt(offset int64) (PlannedBlock, bool) {
	for len(t.plan) > 0 && t.plan[0].OffsetBytes < offset {
		t.plan = t.plan[1:]
	}
	if len(t.plan) == 0 || t.plan[0].OffsetBytes != offset {
		return PlannedBlock{}, false
	}
	return t.plan[0], true
}
