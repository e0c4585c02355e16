package xz

import (
	"errors"
	"io"
	"math"
	"slices"
)

// maxPlannedBlocks is how many blocks a Plan lists at most, so that a file that lists millions takes no memory for them.
const maxPlannedBlocks = 1 << 18

// A Plan is what the indexes of a file state. It may be wrong, even on purpose: only decoding tells.
type Plan struct {
	Streams      int
	DecodedBytes int64
	Blocks       []PlannedBlock // in the order of the file; none if there are too many to list
}

// A PlannedBlock is what an index states of one block.
type PlannedBlock struct {
	OffsetBytes   int64 // where its header begins
	UnpaddedBytes int64 // header, packed data and check
	DecodedBytes  int64
}

// ReadPlan reads the indexes of all streams, from the file's end backwards. An error, which is an *Error, says that the file
// is not as it should be or cannot be read; what it decodes to up to there can still be decoded.
func ReadPlan(file io.ReaderAt, sizeBytes int64) (Plan, error) {
	var plan Plan
	var streams [][]PlannedBlock // from the last to the first
	listed, in := 0, newInput(nil)
	for next := sizeBytes; next > 0; {
		end, err := skipPadding(file, next)
		if err != nil {
			return Plan{}, placed(err, end)
		}
		start, stream, err := planStream(file, in, end)
		if err != nil {
			return Plan{}, placed(err, end)
		}
		if plan.DecodedBytes > math.MaxInt64-stream.DecodedBytes {
			return Plan{}, placed(malformed("the indexes state too large a sum"), end)
		}
		plan.Streams++
		plan.DecodedBytes += stream.DecodedBytes
		if listed += len(stream.Blocks); stream.Blocks == nil {
			listed = math.MaxInt32
		}
		if next = start; len(stream.Blocks) > 0 { // of empty ones a file may have millions
			streams = append(streams, stream.Blocks)
		}
		if listed > maxPlannedBlocks {
			streams, listed = nil, math.MaxInt32
		}
	}
	if plan.Streams == 0 {
		return Plan{}, placed(ErrTruncated, 0)
	}
	slices.Reverse(streams)
	plan.Blocks = slices.Concat(streams...)
	return plan, nil
}

// skipPadding gives the end of what stands before padding.
func skipPadding(file io.ReaderAt, end int64) (int64, error) {
	buf := make([]byte, 4<<10)
	for end > 0 {
		n := min(end, int64(len(buf)))
		if _, err := file.ReadAt(buf[:n], end-n); err != nil && !errors.Is(err, io.EOF) {
			return end, err
		}
		kept := n
		for kept >= paddingBytes && allZero(buf[kept-paddingBytes:kept]) {
			kept -= paddingBytes
		}
		end -= n - kept
		if kept > 0 {
			return end, nil
		}
	}
	return 0, malformed("padding without a stream")
}

// planStream reads footer and index of the stream that ends there, and gives its start.
func planStream(file io.ReaderAt, in *input, end int64) (int64, Plan, error) {
	if end < streamHeaderBytes+footerBytes {
		return 0, Plan{}, ErrTruncated
	}
	raw := make([]byte, footerBytes)
	if _, err := file.ReadAt(raw, end-footerBytes); err != nil && !errors.Is(err, io.EOF) {
		return 0, Plan{}, err
	}
	foot, err := parseFooter(raw)
	if err != nil {
		return 0, Plan{}, err
	}
	indexStart := end - footerBytes - foot.indexBytes
	if indexStart < streamHeaderBytes {
		return 0, Plan{}, malformed("an index that would begin before the file")
	}
	in.reset(io.NewSectionReader(file, indexStart, foot.indexBytes))
	plan, blocksBytes, err := planIndex(in, indexStart, foot.indexBytes)
	start := indexStart - blocksBytes - streamHeaderBytes
	if err == nil && start < 0 {
		err = malformed("blocks that would begin before the file")
	}
	for i := range plan.Blocks {
		plan.Blocks[i].OffsetBytes += start + streamHeaderBytes
	}
	return start, plan, err
}

// planIndex lists the blocks of an index as if the first began at 0.
func planIndex(in *input, indexStart, indexBytes int64) (plan Plan, blocksBytes int64, err error) {
	plan.Blocks = []PlannedBlock{}
	taken, err := eachRecord(in, func(r record) error {
		if r.unpaddedBytes > indexStart-blocksBytes || r.decodedBytes > math.MaxInt64-plan.DecodedBytes {
			return malformed("an index that lists more than the file can hold")
		}
		if plan.Blocks != nil {
			plan.Blocks = append(plan.Blocks, PlannedBlock{blocksBytes, r.unpaddedBytes, r.decodedBytes})
		}
		if len(plan.Blocks) > maxPlannedBlocks {
			plan.Blocks = nil
		}
		blocksBytes += (r.unpaddedBytes + 3) &^ 3
		plan.DecodedBytes += r.decodedBytes
		return nil
	})
	if err == nil && taken != indexBytes {
		err = malformed("an index of another length than its footer states")
	}
	return plan, blocksBytes, err
}
