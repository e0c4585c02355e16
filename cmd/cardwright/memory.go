package main

import (
	"runtime/debug"

	"golang.org/x/sys/unix"
)

const (
	// mostMemory is what the program may take where nobody says, or a quarter of the machine's memory if that is less.
	mostMemory = 512 << 20
	// decodingForSeveral is what decoding side by side takes at the most for several cards at once, where nobody says: their
	// buffers take memory besides, and with more cards the decoder is less often what is waited for.
	decodingForSeveral = 96 << 20
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

// decodingMemory is what is left for decoding of what the program may take. With little left, xz blocks are decoded one
// after the other, in what that takes.
func decodingMemory(wholeBytes, bufferBytes int64) int64 {
	return max(1<<20, wholeBytes-leastMemory(bufferBytes))
}

// leastMemory is what the program takes beside its buffers before anything is decoded, and these.
func leastMemory(bufferBytes int64) int64 { return ownMemory + bufferBytes }

// keepWithin has the collector keep to what the program may take, or to what it cannot do without: a limit below that would
// keep it running. The program's own file, as far as it lies in memory, is beyond the collector's sight, and of a large piece it
// learns when that is given out already (measured: up to 5.4 MiB above its limit, with pieces of 24 MiB; twice that is left).
func keepWithin(wholeBytes, bufferBytes int64) {
	const decodingOneByOne, ownFile, atOnce = 32 << 20, 17 << 20, 11 << 20
	debug.SetMemoryLimit(max(wholeBytes, leastMemory(bufferBytes)+decodingOneByOne) - ownFile - atOnce)
}
