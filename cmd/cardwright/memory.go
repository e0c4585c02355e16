package main

import (
	"runtime/debug"

	"golang.org/x/sys/unix"

	"cardwright/internal/job"
)

const (
	// mostMemory is what the program may take where nobody says, or a quarter of the machine's memory if that is less.
	mostMemory = 512 << 20
	// ownMemory is what the program takes beside decoding and its buffers, the logbook included; measured, and rounded up.
	ownMemory = 40 << 20
)

func defaultMemory() int64 {
	var info unix.Sysinfo_t
	if unix.Sysinfo(&info) != nil {
		return mostMemory
	}
	return int64(min(mostMemory, uint64(info.Totalram)*uint64(info.Unit)/4))
}

// decodingMemory shares out what the program may take: it gives what is left for decoding, and has the collector keep to the
// whole. With too little, there is no more than that blocks are decoded one after the other.
func decodingMemory(wholeBytes int64, cards int) int64 {
	debug.SetMemoryLimit(wholeBytes)
	return max(1<<20, wholeBytes-ownMemory-job.BufferBytes(cards))
}
