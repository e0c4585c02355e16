package capacity

import "context"

// probesPerRound is how many units one round of the search stamps: each round costs as much as 16 MiB of writing.
const probesPerRound = 63

// search finds the first unit that does not keep its stamp, and gives its offset; 0 where what was seen has no such end. Each round
// stamps units at equal distances between the last that does and the first that does not.
func (q *quickCheck) search(ctx context.Context) (trueBytes int64, err error) {
	q.meter.enter("finding where the card ends")
	for {
		good, bad, sure := q.record.bounds()
		between := (bad-good)/q.plan.unitBytes - 1
		switch {
		case !sure:
			return 0, nil
		case between == 0:
			return bad, nil
		}
		if err := q.round(ctx, q.probes(good, between)); err != nil {
			return 0, err
		}
	}
}

// probes spreads units evenly among so many that follow on good.
func (q *quickCheck) probes(good, between int64) (probes []int64) {
	count := min(probesPerRound, between)
	for i := range count {
		probes = append(probes, good+(i+1)*(between+1)/(count+1)*q.plan.unitBytes)
	}
	return probes
}

// confirm stamps the units on both sides of a true size, which must explain all that was seen before and after that.
func (q *quickCheck) confirm(ctx context.Context, trueBytes int64, explains func(trueBytes int64) bool) (answer, error) {
	if trueBytes <= 0 || trueBytes >= q.plan.endBytes || !explains(trueBytes) {
		return answer{verdict: Unreliable}, nil
	}
	if err := q.round(ctx, []int64{trueBytes - q.plan.unitBytes, trueBytes}); err != nil {
		return answer{}, err
	}
	if !explains(trueBytes) {
		return answer{verdict: Unreliable}, nil
	}
	return answer{verdict: Short, trueBytes: trueBytes}, nil
}
