package capacity

import (
	"bytes"
	"context"
	"errors"
	"slices"

	"cardwright/flash"
)

// call moves bytes to or from the card, unless the check is cancelled. The error is of the context or a *flash.Error.
func (q *quickCheck) call(
	ctx context.Context, step flash.Step, move func([]byte, int64) (int, error), p []byte, offsetBytes int64,
) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if _, err := move(p, offsetBytes); err != nil {
		return failure(step, span{offsetBytes, int64(len(p))}, err)
	}
	q.meter.moved(len(p))
	return nil
}

// isEnd tells whether an error ends the check; else it is of one place.
func isEnd(err error) bool {
	var failed *flash.Error
	return err != nil && (!errors.As(err, &failed) || isLost(err))
}

// keepZone keeps what the zone holds. A piece that cannot be read leaves the zone; its first and last unit are given to be kept and
// stamped alone, so that an end within it is found all the same.
func (q *quickCheck) keepZone(ctx context.Context) (alone []int64, err error) {
	if q.rescue == nil {
		return nil, nil
	}
	var kept []span
	for _, piece := range q.zone {
		p, err := q.readAlike(ctx, piece)
		if isEnd(err) {
			return nil, err
		}
		if err != nil {
			alone = append(alone, q.endsOf(piece)...)
			continue
		}
		if err := q.rescue.keep(p, piece.offsetBytes); err != nil {
			return nil, err
		}
		kept = append(kept, piece)
	}
	q.zone = kept
	return alone, nil
}

// errDiffer says that two reads of one place gave different bytes, of which none is to be put back later.
var errDiffer = errors.New("two reads differ")

// readAlike reads a span twice, so that what is kept is surely what the card holds.
func (q *quickCheck) readAlike(ctx context.Context, s span) ([]byte, error) {
	p, again := q.buffer[:s.lengthBytes], q.second[:s.lengthBytes]
	if err := q.call(ctx, StepKeep, q.card.ReadAt, p, s.offsetBytes); err != nil {
		return nil, err
	}
	if err := q.call(ctx, StepKeep, q.card.ReadAt, again, s.offsetBytes); err != nil {
		return nil, err
	}
	if !bytes.Equal(p, again) {
		return nil, failure(StepKeep, s, errDiffer)
	}
	return p, nil
}

// endsOf gives a piece's first and last unit.
func (q *quickCheck) endsOf(piece span) []int64 {
	return slices.Compact([]int64{piece.offsetBytes, piece.end() - q.plan.unitBytes})
}

// keep keeps what units hold, unless it is kept already, and gives those that may be stamped. The others cannot be read, and are bad.
func (q *quickCheck) keep(ctx context.Context, units []int64) (kept []int64, err error) {
	if q.rescue == nil {
		return units, nil
	}
	for _, at := range units {
		if q.rescue.holds(at) {
			kept = append(kept, at)
			continue
		}
		p, err := q.readAlike(ctx, span{at, q.plan.unitBytes})
		switch {
		case isEnd(err):
			return nil, err
		case errors.Is(err, errDiffer):
			q.record.failed(at, Changed)
			continue
		case err != nil:
			q.refused(at, Unreadable, err)
			continue
		}
		if err := q.rescue.keep(p, at); err != nil {
			return nil, err
		}
		kept = append(kept, at)
	}
	return kept, q.rescue.sync()
}

// refused notes a bad unit.
func (q *quickCheck) refused(at int64, kind Kind, err error) {
	q.record.failed(at, kind)
	if q.refusal == nil {
		q.refusal = err
	}
}

// stamp stamps single units and gives those that the card took. The others are bad.
func (q *quickCheck) stamp(ctx context.Context, units []int64) (stamped []int64, err error) {
	for _, at := range units {
		err := q.write(ctx, span{at, q.plan.unitBytes})
		if isEnd(err) {
			return nil, err
		}
		if err != nil {
			q.refused(at, Unwritable, err)
			continue
		}
		stamped = append(stamped, at)
	}
	return stamped, nil
}

// write stamps a span in one call.
func (q *quickCheck) write(ctx context.Context, s span) error {
	p := q.buffer[:s.lengthBytes]
	q.record.stamper.Fill(p, s.offsetBytes, q.pass)
	if !q.touched && q.rescue != nil {
		q.meter.replaces(q.rescue.file.Name())
	}
	q.touched = true
	err := q.call(ctx, StepStamp, q.card.WriteAt, p, s.offsetBytes)
	if err == nil {
		q.wrote = true
		q.record.stampings = append(q.record.stampings, stamping{s, q.pass})
	}
	return err
}

// push stamps so much of the zone, all but some units, so that a card's memory answers no longer for what was written before. A piece
// that the card does not take leaves the zone; its ends are stamped alone and given back.
func (q *quickCheck) push(ctx context.Context, lengthBytes int64, except []int64) (alone []int64, err error) {
	var taken []span
	for i, piece := range q.zone {
		if piece.offsetBytes >= lengthBytes {
			taken = append(taken, q.zone[i:]...)
			break
		}
		whole := true
		for _, part := range piece.without(except, q.plan.unitBytes) {
			err := q.write(ctx, part)
			if isEnd(err) {
				return nil, err
			}
			whole = whole && err == nil
		}
		if whole {
			taken = append(taken, piece)
			continue
		}
		ends, err := q.stamp(ctx, q.endsOf(piece))
		if err != nil {
			return nil, err
		}
		alone = append(alone, ends...)
	}
	q.zone = taken
	return alone, nil
}

// flush brings the stamps to the medium, and has the reads that follow come from there.
func (q *quickCheck) flush(ctx context.Context) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if !q.wrote && q.refusal != nil {
		return q.refusal // it takes no stamp anywhere
	}
	if err := errors.Join(q.card.Flush(), dropCache(q.card)); err != nil {
		return failure(StepStamp, span{}, err)
	}
	return nil
}

// compare reads units back that other stamps followed.
func (q *quickCheck) compare(ctx context.Context, units []int64) error {
	for _, at := range units {
		if err := q.see(ctx, span{at, q.plan.unitBytes}, true); err != nil {
			return err
		}
	}
	return nil
}

// look reads the zone, which nothing was written after, and the units that were not stamped. They show what went elsewhere. A card
// that fails at places does not wrap round, so nothing is looked for where that may take long.
func (q *quickCheck) look(ctx context.Context) error {
	for _, piece := range q.zone {
		if err := q.see(ctx, piece, false); err != nil {
			return err
		}
	}
	if q.refusal != nil {
		return nil
	}
	q.meter.enter("looking for stamps that went elsewhere")
	for _, at := range q.plan.looks {
		if err := q.see(ctx, span{at, q.plan.unitBytes}, false); err != nil {
			return err
		}
	}
	return nil
}

// see reads a span and notes what each of its units holds.
func (q *quickCheck) see(ctx context.Context, s span, settled bool) error {
	p := q.buffer[:s.lengthBytes]
	err := q.call(ctx, StepCompare, q.card.ReadAt, p, s.offsetBytes)
	if isEnd(err) {
		return err
	}
	unitBytes := q.plan.unitBytes
	if err != nil {
		for _, at := range slices.Compact([]int64{s.offsetBytes, s.end() - unitBytes}) {
			q.refused(at, Unreadable, err)
		}
		return nil
	}
	q.gave = true
	for at := int64(0); at < s.lengthBytes; at += unitBytes {
		q.record.note(p[at:at+unitBytes], s.offsetBytes+at, settled, q.rescue.before)
	}
	return nil
}

// answered fails where the card gave nothing back at all: that says nothing of its size.
func (q *quickCheck) answered() error {
	if !q.gave && q.refusal != nil {
		return q.refusal
	}
	return nil
}
