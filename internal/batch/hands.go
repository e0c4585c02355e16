package batch

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"cardwright/flash"
	"cardwright/internal/device"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// Hands make mistakes: they seat a card that is done already, or one that holds somebody's photographs. Such a card is held
// until the operator says that it may be overwritten. Blank cards, cards that hold what this logbook put there and nobody touched
// since, and cards whose run was cut off, go straight through. Whatever cannot be found out is a reason to hold the card.

// An objection is why a card is held, and what tells that card from others when it is seated again.
type objection struct {
	reasons []string
	mark    mark
}

// A mark is what a card shows of itself.
type mark struct {
	cid       string
	sizeBytes int64
	contents  string
	imprint   string
}

// tells says whether the mark tells the card from others: one that could not be read shows nothing of its own without a CID.
func (m mark) tells() bool { return m.imprint != "" || m.cid != "" }

// judge tells why a card is not overwritten at once; no reasons, where it is.
func (b *Batch) judge(ctx context.Context, card Opened) objection {
	d := card.Description()
	o := objection{mark: mark{cid: d.CID, sizeBytes: d.SizeBytes, contents: d.Contents}}
	if d.Table == nil {
		o.reasons = []string{"what it holds could not be read: " + d.Unreadable}
		return o
	}
	medium := onCard{card}
	imprint, err := partition.TakeImprint(medium, d.Table)
	if errors.Is(err, partition.ErrNoImprint) {
		imprint, err = &partition.Imprint{}, nil // of what no imprint can be taken, none is on record
	}
	if err != nil {
		o.reasons = []string{fmt.Sprintf("what it holds could not be read: %v", err)}
		return o
	}
	o.mark.imprint = imprint.Digest
	o.reasons, err = b.reasonsToHold(ctx, medium, d, imprint)
	if err != nil {
		o.reasons = []string{fmt.Sprintf("whether it is a card of the logbook could not be found out: %v", err)}
	}
	return o
}

// reasonsToHold asks the logbook, then the card. The error is the logbook's.
func (b *Batch) reasonsToHold(ctx context.Context, medium onCard, d device.Description, now *partition.Imprint) ([]string, error) {
	done, err := b.options.Record.DoneCard(ctx, d.CID, now.Digest)
	if !errors.Is(err, logbook.ErrNotFound) {
		if err != nil {
			return nil, err
		}
		return []string{"it is done already, or holds the very same as a card that is: " + named(done)}, nil
	}
	_, err = b.options.Book.Untouched(ctx, now.Digest)
	if !errors.Is(err, logbook.ErrNotFound) {
		return nil, err // untouched, or not known
	}
	reasons := whatItHolds(medium, d)
	if len(reasons) == 0 || b.wasBegun(medium.card, d) {
		return nil, nil
	}
	before, err := b.options.Book.SameImage(ctx, now.Identity)
	switch {
	case errors.Is(err, logbook.ErrNotFound):
		return reasons, nil
	case err != nil:
		return nil, err
	}
	used := fmt.Sprintf("it holds %s, like %s, and was used since", before.Image.Name, named(before))
	return append([]string{used}, before.Imprint.Changes(now)...), nil
}

// whatItHolds tells what on a card would be lost, nothing of a blank one.
func whatItHolds(medium onCard, d device.Description) (reasons []string) {
	held, err := partition.Occupied(medium, d.SizeBytes, d.Table)
	if err != nil {
		return []string{fmt.Sprintf("what it holds could not be read: %v", err)}
	}
	for _, h := range held {
		if h.Holds != partition.HoldsNothing {
			reasons = append(reasons, inWords(h))
		}
	}
	return reasons
}

// wasBegun tells whether the card was given a part of this image and lost its head again, by a run that failed or was stopped: what
// it held before is gone already.
func (b *Batch) wasBegun(card flash.Card, d device.Description) bool {
	manifest := b.options.Manifest
	if d.Table.Kind != partition.SchemeNone || d.Table.FileSystem != nil || len(manifest.Blocks) < 3 || verify.Cleared(card) != nil {
		return false
	}
	held := flash.AlignedBuffer(flash.BlockBytes)
	nothing := flash.Digest(sha256.Sum256(held))
	body := manifest.Blocks[1 : len(manifest.Blocks)-1]
	telling := slices.IndexFunc(body, func(digest flash.Digest) bool { return digest != nothing })
	if telling < 0 {
		return false
	}
	if _, err := card.ReadAt(held, manifest.Block(1+telling).OffsetBytes); err != nil {
		return false
	}
	return flash.Digest(sha256.Sum256(held)) == body[telling]
}

// inWords tells of one thing that a card holds.
func inWords(h partition.Holding) string {
	where := "it"
	if h.Partition > 0 {
		where = fmt.Sprintf("partition %d", h.Partition)
	}
	what := "holds files"
	if h.Holds != partition.HoldsFiles {
		what = "may hold something"
	}
	system := cmp.Or(h.Kind, "no known file system")
	if h.Label != "" {
		system += fmt.Sprintf(" %q", h.Label)
	}
	return fmt.Sprintf("%s (%s) %s: %s", where, system, what, h.Evidence)
}

// named says which card a run was on.
func named(r *logbook.Record) string {
	return fmt.Sprintf("%s (run %d of %s)", cmp.Or(r.Label, "a card without a label"), r.RunID, r.StartedAt.Local().Format(time.DateTime))
}

// onCard reads a card in buffers that suit direct I/O.
type onCard struct{ card flash.Card }

// ReadAt reads whole sectors around what is asked for.
func (o onCard) ReadAt(p []byte, offsetBytes int64) (int, error) {
	start := offsetBytes / flash.AlignBytes * flash.AlignBytes
	end := min((offsetBytes+int64(len(p))+flash.AlignBytes-1)/flash.AlignBytes*flash.AlignBytes, o.card.SizeBytes())
	if start < 0 || end <= start {
		return 0, io.EOF
	}
	buffer := flash.AlignedBuffer(int(end - start))
	n, err := o.card.ReadAt(buffer, start)
	if n < len(buffer) && err != nil {
		return 0, err
	}
	n = copy(p, buffer[offsetBytes-start:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}
