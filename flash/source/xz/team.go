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
	jobs      []*job // in the order of the file
	idle      []*job // whose memory is used again
	lent      *job   // whose result was given out last
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
	raw       []byte // header and packed data
	planned   bool   // nothing but the plan says how large it is
	whole     bool   // all of raw came
	before    tally  // of the blocks before it
	stated    record // its size, by its header or by the plan
	memory    int64
	endOffset int64
	result    []byte
	filtered  []byte // the result's memory where there are filters
	err       error
	done      chan struct{}
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

// mustWait tells whether the next step is to take a result.
func (t *team) mustWait() bool {
	if !t.busy() {
		return false
	}
	if t.full || t.ahead != nil {
		return true
	}
	select {
	case <-t.jobs[0].done:
		t.jobs[0].done <- struct{}{}
		return true
	default:
		return false
	}
}

// first waits for the oldest job and takes it. Its result stays until it is given back.
func (t *team) first() *job {
	j := t.jobs[0]
	<-j.done
	t.jobs = append(t.jobs[:0], t.jobs[1:]...)
	t.full, t.lent = false, j
	return j
}

// giveBack makes the memory of the result that was given out last free for another job.
func (t *team) giveBack() {
	if t.lent == nil {
		return
	}
	t.memory -= t.lent.memory
	held := t.memory + t.lent.heldBytes()
	for _, j := range t.idle {
		held += j.heldBytes()
	}
	if held <= t.maxMemory {
		t.idle = append(t.idle, t.lent)
	}
	t.lent = nil
}

func (j *job) heldBytes() int64 {
	return int64(cap(j.raw) + cap(j.filtered) + cap(j.block.window.buf))
}

// start hands a job out.
func (t *team) start(j *job) {
	t.memory += j.memory
	t.jobs = append(t.jobs, j)
	t.full = len(t.jobs) >= 2*cap(t.turns)
	t.running.Go(func() { // ends with the block, or soon after stop
		t.turns <- struct{}{}
		j.run(&t.stopped)
		<-t.turns
		j.done <- struct{}{}
	})
}

// stop ends all jobs and waits for them.
func (t *team) stop() {
	t.stopped.Store(true)
	t.running.Wait()
	t.jobs, t.idle, t.waiting, t.ahead = nil, nil, nil, nil
}

func (t *team) newJob() *job {
	if n := len(t.idle); n > 0 {
		j := t.idle[n-1]
		t.idle = t.idle[:n-1]
		return j
	}
	return &job{block: new(block), done: make(chan struct{}, 1)}
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
