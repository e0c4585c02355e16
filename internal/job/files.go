package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"iter"
	"time"

	"cardwright/flash"
	"cardwright/internal/fat"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
)

// A card's own files go onto its boot partition when its body is proven and its head is still withheld. They are composed in memory
// over what the card and the head hold; then each block that changes is read, held against the image once more, changed, written
// and proven by a digest that this card alone has. What lies in the head is written with it.

// errFreeTaken says that a file would lie where nothing is known of the card.
var errFreeTaken = errors.New("the card's own files need space that was left out as free")

// putFiles writes and proves the card's own files, but for what of them lies in the head, and gives the head that is to be
// written. It counts in no figure of the image.
func (w *way) putFiles(ctx context.Context) (head []byte, sound bool, err error) {
	head = w.pump.Head()
	if len(w.Files) == 0 {
		return head, true, nil
	}
	w.Meter.Enter(flash.StepFiles)
	began := time.Now()
	defer func() { w.besides += time.Since(began) }()
	change, err := w.compose(head)
	if err != nil {
		return nil, false, err
	}
	digests := map[int]flash.Digest{}
	for index, ranges := range byBlock(change.Ranges) {
		if index == 0 {
			head = changedHead(head, ranges)
			digests[0] = sha256.Sum256(head)
			continue
		}
		if w.pump.Manifest().IsFree(index) {
			return nil, false, &flash.Error{Step: flash.StepFiles, OffsetBytes: int64(index) * flash.BlockBytes, Err: errFreeTaken}
		}
		held, err := w.prover.Held(ctx, index)
		if err != nil || held == nil {
			sound, err = w.proved(err)
			return nil, sound, err
		}
		merge(held, ranges, int64(index)*flash.BlockBytes)
		digests[index] = sha256.Sum256(held)
		if err := w.rewrite(ctx, held, ranges, int64(index)*flash.BlockBytes); err != nil {
			return nil, false, err
		}
	}
	if err := w.writer.FlushRewritten(); err != nil {
		return nil, false, err
	}
	w.dropCache()
	sound, err = w.proved(w.prover.Changed(ctx, digests))
	if sound {
		w.run.Files = recorded(w.Files)
	}
	return head, sound, err
}

// compose finds the sectors that the files change. A card that could not be read is the card's failure; all else is the source's:
// the image and these files do not go together.
func (w *way) compose(head []byte) (*project.Change, error) {
	failed := &flash.Error{Step: flash.StepFiles}
	table, err := w.excerpt.table(w.Card, w.pump.Manifest().ImageBytes)
	if err == nil {
		var change *project.Change
		place, _ := project.BootPartition(table) // Compose says why there is none
		failed.OffsetBytes = place.OffsetBytes
		view := &headedCard{head: head, rest: newTableReader(w.Card)}
		if change, err = project.Compose(view, table, w.Files, w.run.StartedAt); err == nil {
			return change, nil
		}
	}
	failed.Err = err
	if ofCard, ok := errors.AsType[*flash.Error](err); ok {
		failed.OffsetBytes, failed.LengthBytes, failed.Err = ofCard.OffsetBytes, ofCard.LengthBytes, ofCard.Err
	}
	return nil, failed
}

// rewrite writes the parts of a block that changed. Their edges are moved out to where buffers may begin, over bytes that stay as
// they were read, but not beyond the sector that the image ends in.
func (w *way) rewrite(ctx context.Context, block []byte, ranges []fat.Range, blockStart int64) error {
	sector := w.Card.SectorBytes()
	end := (len(block) + sector - 1) / sector * sector
	for i := 0; i < len(ranges); {
		from := int(ranges[i].OffsetBytes-blockStart) / flash.AlignBytes * flash.AlignBytes
		to := from
		for ; i < len(ranges) && (to == from || int(ranges[i].OffsetBytes-blockStart) <= to); i++ {
			to = int(ranges[i].OffsetBytes-blockStart) + len(ranges[i].Data)
			to = min((to+flash.AlignBytes-1)/flash.AlignBytes*flash.AlignBytes, end)
		}
		if err := w.writer.Rewrite(ctx, block[from:to], blockStart+int64(from)); err != nil {
			return err
		}
	}
	return nil
}

// byBlock gives the ranges of each block, cut at the blocks' edges, in order.
func byBlock(ranges []fat.Range) iter.Seq2[int, []fat.Range] {
	return func(yield func(int, []fat.Range) bool) {
		var of []fat.Range
		block := 0
		for _, r := range ranges {
			for len(r.Data) > 0 {
				index := int(r.OffsetBytes / flash.BlockBytes)
				if index != block && len(of) > 0 {
					if !yield(block, of) {
						return
					}
					of = nil
				}
				n := min(int64(len(r.Data)), int64(index+1)*flash.BlockBytes-r.OffsetBytes)
				block, of = index, append(of, fat.Range{OffsetBytes: r.OffsetBytes, Data: r.Data[:n]})
				r.OffsetBytes, r.Data = r.OffsetBytes+n, r.Data[n:]
			}
		}
		if len(of) > 0 {
			yield(block, of)
		}
	}
}

// merge changes a block.
func merge(block []byte, ranges []fat.Range, blockStart int64) {
	for _, r := range ranges {
		copy(block[r.OffsetBytes-blockStart:], r.Data)
	}
}

// changedHead gives a copy of the head with its changes, since the pump's own is that of all cards. Like that, it goes on in zeros.
func changedHead(head []byte, ranges []fat.Range) []byte {
	changed := flash.AlignedBuffer(flash.BlockBytes)[:len(head)]
	copy(changed, head)
	merge(changed, ranges, 0)
	return changed
}

// recorded is what a run tells of its files.
func recorded(files []project.File) []logbook.RecordedFile {
	told := make([]logbook.RecordedFile, 0, len(files))
	for _, file := range files {
		digest := sha256.Sum256(file.Content)
		told = append(told, logbook.RecordedFile{
			Path: file.Path, Bytes: int64(len(file.Content)), SHA256: hex.EncodeToString(digest[:]),
		})
	}
	return told
}

// A headedCard reads a card as if its head stood already. What it read last it reads no second time: the card is not written to
// meanwhile.
type headedCard struct {
	head    []byte
	rest    *tableReader
	latest  []byte
	startAt int64 // of what was read last
}

// ReadAt reads len(p) bytes from offsetBytes on; io.EOF where the card ends before that.
func (h *headedCard) ReadAt(p []byte, offsetBytes int64) (int, error) {
	n := 0
	for n < len(p) {
		at := offsetBytes + int64(n)
		if at < int64(len(h.head)) {
			n += copy(p[n:], h.head[at:])
			continue
		}
		if at < h.startAt || at >= h.startAt+int64(len(h.latest)) {
			if at >= h.rest.card.SizeBytes() {
				return n, io.EOF
			}
			var err error
			if h.latest, err = h.rest.around(at); err != nil {
				return n, err
			}
			h.startAt = at
		}
		n += copy(p[n:], h.latest[at-h.startAt:])
	}
	return n, nil
}
