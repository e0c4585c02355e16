package xz

import (
	"math"
	"runtime"
)

const (
	defaultDictionaryBytes = 256 << 20
	defaultMemoryBytes     = 256 << 20
)

// Options bound what decoding may take. The zero value stands for the defaults named at each field.
type Options struct {
	// MaxDictionaryBytes is the largest dictionary that a block may ask for; 0 stands for 256 MiB. A larger one is
	// ErrDictionary. Of a block that is decoded alone, memory is taken in steps, as decoded bytes fill it: at most the
	// dictionary and 16 MiB, and at most what the block states to decode to; half as much more while it grows.
	MaxDictionaryBytes int64
	// MemoryBytes is how much the blocks that are decoded at the same time may take together, packed and decoded; 0 stands
	// for 256 MiB. A block of which no two would fit is decoded alone, piece by piece.
	MemoryBytes int64
	// Workers is how many blocks are decoded at the same time; 0 stands for the number of processors in use. With 1, all
	// happens inside Read. With more, the check of a block that is decoded alone is summed beside its decoding.
	Workers int
	// Plan lists the blocks as the file's indexes state them, see ReadPlan. It lets blocks whose headers state no sizes be
	// decoded at the same time. It is never believed: where the blocks turn out to be others, they count and not the plan.
	Plan []PlannedBlock
}

func (o Options) withDefaults() Options {
	if o.MaxDictionaryBytes <= 0 {
		o.MaxDictionaryBytes = defaultDictionaryBytes
	}
	if o.MemoryBytes <= 0 {
		o.MemoryBytes = defaultMemoryBytes
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	o.MaxDictionaryBytes = min(o.MaxDictionaryBytes, math.MaxInt/4) // the window is larger and must have a length
	o.MemoryBytes = min(o.MemoryBytes, math.MaxInt/4)
	return o
}
