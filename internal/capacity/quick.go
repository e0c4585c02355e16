package capacity

import (
	"context"
	"crypto/rand"
	"errors"
	"math"
	"time"

	"cardwright/flash"
)

// Quick finds out whether a card is as large as it says, and puts back what it held.
//
// It stamps the places of a plan (plan.go), pushes them out of the card's memory by stamping a zone, and reads all of it back. Where
// something is wrong it asks which true size explains everything that was seen (seen.go): one at which addresses wrap round, or one
// beyond which nothing is kept, to which a search leads (search.go). Another round of stamps on both sides of that size must agree.
// What no size explains is unreliable.
//
// Each round reads what it will overwrite and brings it to the medium of the rescue's folder before it writes. In the end, also after
// a cancel, everything is put back and compared. Where that fails the rescue stays, for RestoreLeftover, and Result.Rescue names it.
//
// On a sound card of 32 GB this moves about 100 MiB: the zone of 16 MiB is read twice, stamped, read, put back and read, and so are
// some 600 single places, with another 1,900 that are only read. A card that ends early costs 16 MiB more for each of up to six rounds
// of the search. At 20 MB/s each way and 5 ms per small write that is 11 s and 16 s (quicktime_test.go).
//
// A place that cannot be read or written is bad and does not end the check. A card that answers no more, takes no writes, or answers
// nowhere at all ends it with a *flash.Error. Other errors are those of the context and of the folder. A result beside an error has
// no verdict.
func Quick(ctx context.Context, card flash.Card, o Options) (*Result, error) {
	began := time.Now()
	seed := o.seed()
	plan, err := newQuickPlan(card.SizeBytes(), card.SectorBytes(), seed)
	if err != nil {
		return nil, err
	}
	// Stamps are new in each run, also where the seed is not: old ones must not count, nor be kept from being put back.
	stamper := NewStamper(seed + " " + rand.Text())
	q := &quickCheck{
		card: card, plan: plan, meter: o.meter(), zone: plan.pieces(), erase: o.Erase,
		record: record{stamper: stamper, unitBytes: plan.unitBytes},
		buffer: flash.AlignedBuffer(pieceBytes),
	}
	result := &Result{
		ClaimedBytes: card.SizeBytes(), Mode: ModeQuick, Seed: seed, BadRanges: []Range{},
		WriteTrace: []Part{}, ReadTrace: []Part{},
		MissingFraction: MissingFraction, RandomPlaces: plan.random,
		ChanceToMiss: math.Pow(1-MissingFraction, float64(plan.random)),
	}
	if !o.Erase {
		q.second = flash.AlignedBuffer(pieceBytes)
		if q.rescue, err = newRescue(o, stamper, card, plan.unitBytes); err != nil {
			return result, err
		}
	}
	found, err := q.run(ctx)
	if err == nil {
		found.tell(result, &q.record)
	}
	if left := q.finish(result); err == nil {
		err = left // the first error stays
	}
	result.Seconds = time.Since(began).Seconds()
	return result, err
}

// A quickCheck is a quick check under way.
type quickCheck struct {
	card    flash.Card
	plan    quickPlan
	meter   *Meter
	rescue  *rescue // nil where the card is erased
	erase   bool
	record  record
	zone    []span // what of it can be read and written
	pass    uint32
	buffer  []byte
	second  []byte // for what is read twice; nil where nothing is kept
	touched bool   // something may have been written to the card
	wrote   bool   // the card took a write
	gave    bool   // and answered a read of what was stamped
	refusal error  // why it first did not
}

// run is the check without what comes before and after.
func (q *quickCheck) run(ctx context.Context) (answer, error) {
	if err := q.first(ctx); err != nil {
		return answer{}, err
	}
	if q.record.sound() {
		return answer{verdict: True, trueBytes: q.card.SizeBytes()}, nil
	}
	if distance := q.record.distance(); distance > 0 {
		return q.confirm(ctx, distance, q.record.wrapsAt)
	}
	end, err := q.search(ctx)
	if err != nil {
		return answer{}, err
	}
	return q.confirm(ctx, end, q.record.endsAt)
}

// first stamps everything that the plan names, and looks at all of it.
func (q *quickCheck) first(ctx context.Context) error {
	q.expect()
	q.meter.enter("keeping what the card holds")
	places, err := q.keepZone(ctx)
	if err != nil {
		return err
	}
	if places, err = q.keep(ctx, append(places, q.plan.places...)); err != nil {
		return err
	}
	q.meter.enter("stamping")
	q.pass++
	if len(q.zone) > 0 && q.zone[0].offsetBytes == 0 { // first of all the table: see quickPlan
		if err := q.write(ctx, q.zone[0]); isEnd(err) {
			return err
		}
		if err := q.flush(ctx); err != nil {
			return err
		}
	}
	stamped, err := q.stamp(ctx, places)
	if err != nil {
		return err
	}
	more, err := q.push(ctx, q.plan.zoneBytes, nil)
	if err != nil {
		return err
	}
	if err := q.flush(ctx); err != nil {
		return err
	}
	q.meter.enter("reading back")
	if err := q.compare(ctx, append(more, stamped...)); err != nil {
		return err
	}
	if err := q.look(ctx); err != nil {
		return err
	}
	return q.answered()
}

// round stamps some units, pushes them out of the card's memory and reads them back.
func (q *quickCheck) round(ctx context.Context, units []int64) error {
	unitBytes := q.plan.unitBytes
	q.meter.expect(4*unitBytes*int64(len(units)) + min(q.plan.zoneBytes, pushBytes))
	units, err := q.keep(ctx, units)
	if err != nil {
		return err
	}
	q.pass++
	units, err = q.stamp(ctx, units)
	if err != nil {
		return err
	}
	if _, err := q.push(ctx, pushBytes, units); err != nil {
		return err
	}
	if err := q.flush(ctx); err != nil {
		return err
	}
	return q.compare(ctx, units)
}

// expect tells the meter what a sound card costs.
func (q *quickCheck) expect() {
	p := q.plan
	stamped := p.zoneBytes + int64(len(p.places))*p.unitBytes
	times := int64(6) // read twice, stamped, read, put back, read
	if q.erase {
		times = 2
	}
	q.meter.expect(times*stamped + int64(len(p.looks))*p.unitBytes)
}

// finish puts back what the card held and tells so in the result. A cancel does not reach it: a card is not left full of stamps.
func (q *quickCheck) finish(result *Result) error {
	switch {
	case q.rescue == nil:
		return nil
	case !q.touched:
		return q.rescue.discard()
	}
	r := newRestorer(q.card, q.rescue.file, q.record.stamper, q.rescue.parts, q.meter)
	limitBytes := q.card.SizeBytes()
	if result.TrueBytes != nil {
		limitBytes = *result.TrueBytes
	}
	back, err := r.restore(limitBytes)
	result.Restored = &back
	if back {
		q.meter.replaces("")
		return q.rescue.discard()
	}
	result.Rescue = q.rescue.file.Name()
	return errors.Join(err, q.rescue.file.Close())
}
