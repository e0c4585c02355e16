package capacity_test

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// expectRate compares a rate with what the card's traits come to.
func expectRate(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > want/1e4 {
		t.Errorf("%s: %.0f B/s; want %.0f", what, got, want)
	}
}

// TestFullMeasuresTheWholeSurface has a card that is fast for its first half, stalls once, and reads at one rate. The rates are its
// traits; the sums are done by hand.
func TestFullMeasuresTheWholeSurface(t *testing.T) {
	const size, fast = 160 * mib, 80 * mib
	synctest.Test(t, func(t *testing.T) {
		card := newLabCard(t, cardlab.Traits{
			SizeBytes: size, CacheBytes: fast, CacheBytesPerSecond: 40e6, WriteBytesPerSecond: 10e6, ReadBytesPerSecond: 20e6,
			Stalls: []cardlab.Stall{{OffsetBytes: 13 * mib, For: 2 * time.Second, Once: true}}, FlushCost: 100 * time.Millisecond,
		})
		r := checkFull(t, card, capacity.Options{})
		expectVerdict(t, r, capacity.True, size)
		expectRate(t, "write", r.Write.SustainedBytesPerSecond, size/(fast/40e6+fast/10e6+2+0.1))
		expectRate(t, "read", r.Read.SustainedBytesPerSecond, 20e6)
		if cliff := r.Write.Cliff; cliff == nil || cliff.OffsetBytes != fast {
			t.Fatalf("write cliff %+v; want one at %d", cliff, fast)
		}
		expectRate(t, "before", r.Write.Cliff.BeforeBytesPerSecond, 40e6)
		expectRate(t, "after", r.Write.Cliff.AfterBytesPerSecond, 10e6)
		if s := r.Write.Stalls; len(s) != 1 || s[0].OffsetBytes != 12*mib || s[0].Seconds < 2 {
			t.Errorf("stalls %+v", s)
		}
		if r.Read.Cliff != nil || len(r.Read.Stalls) != 0 || r.Write.Bytes != size || r.Read.Bytes != size {
			t.Errorf("read %+v, write %+v", r.Read, r.Write)
		}
		if len(r.WriteTrace) != 40 || len(r.ReadTrace) != 40 || r.WriteTrace[20].OffsetBytes != fast {
			t.Fatalf("traces of %d and %d parts", len(r.WriteTrace), len(r.ReadTrace))
		}
		expectRate(t, "the part before the cliff", r.WriteTrace[19].BytesPerSecond, 40e6)
		expectRate(t, "the part behind it", r.WriteTrace[20].BytesPerSecond, 10e6)
	})
}

// TestFullJoinsRatesAcrossAnInterruption cuts a check in two by loss of power; what was measured before and after goes together.
func TestFullJoinsRatesAcrossAnInterruption(t *testing.T) {
	const size = 64 * mib
	synctest.Test(t, func(t *testing.T) {
		card := newLabCard(t, cardlab.Traits{SizeBytes: size, WriteBytesPerSecond: 1e6, ReadBytesPerSecond: 2e6})
		o := capacity.Options{Folder: t.TempDir(), Card: capacity.Mark{Node: "sdx", SizeBytes: size}}
		for _, kind := range []cardlab.OpKind{cardlab.OpWrite, cardlab.OpRead} {
			card.Inject(func(op cardlab.Op) cardlab.Fault {
				if op.Kind == kind && op.OffsetBytes == 40*mib && op.LengthBytes > mib {
					return cardlab.FaultGone
				}
				return cardlab.FaultNone
			})
			if r, err := capacity.Full(t.Context(), card, o); err == nil {
				t.Fatalf("the card did not vanish; %+v", r)
			}
			card.PullSynced()
			card.Plug()
			card.Inject(func(cardlab.Op) cardlab.Fault { return cardlab.FaultNone })
		}
		written := card.Counts().WrittenBytes
		r := checkFull(t, card, o)
		expectVerdict(t, r, capacity.True, size)
		if r.ResumedAtBytes < size || r.ResumedAtBytes > 2*size {
			t.Errorf("it went on at %d of the %d bytes of writing and reading", r.ResumedAtBytes, 2*size)
		}
		if again := written - size; again < 0 || again > 16*mib {
			t.Errorf("%d bytes were written twice", again)
		}
		expectRate(t, "write", r.Write.SustainedBytesPerSecond, 1e6)
		expectRate(t, "read", r.Read.SustainedBytesPerSecond, 2e6)
		if r.Write.Bytes != size || r.Read.Bytes != size || r.Seconds < size/1e6+size/2e6 {
			t.Errorf("%d bytes written and %d read in %g s", r.Write.Bytes, r.Read.Bytes, r.Seconds)
		}
	})
}
