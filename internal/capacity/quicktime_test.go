package capacity_test

import (
	"testing"
	"testing/synctest"
	"time"

	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// TestQuickTakesLessThanAMinute checks cards of 32 GB on the virtual clock that write and read 20 MB/s, and whose small writes cost
// 5 ms each: about what slow cards of that size do (from memory).
func TestQuickTakesLessThanAMinute(t *testing.T) {
	t.Parallel()
	const sizeBytes = 32_000_000_000
	for name, traits := range map[string]cardlab.Traits{
		"Sound":  {},
		"Wrap":   {TrueSizeBytes: sizeBytes / 3 / 512 * 512, Beyond: cardlab.Wrap},
		"Drop":   {TrueSizeBytes: sizeBytes / 3 / 512 * 512, Beyond: cardlab.Drop},
		"Refuse": {TrueSizeBytes: sizeBytes - 512, Beyond: cardlab.Refuse},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				traits.SizeBytes, traits.OldContent = sizeBytes, true
				traits.WriteBytesPerSecond, traits.ReadBytesPerSecond = 20e6, 20e6
				traits.RandomWriteCost = 5 * time.Millisecond
				card := newCard(t, traits)
				o := options(t, card)
				o.Meter = new(capacity.Meter)
				got, err := capacity.Quick(t.Context(), card, o)
				if err != nil || !*got.Restored {
					t.Fatalf("%+v, %v", got, err)
				}
				counts := card.Counts()
				moved := counts.WrittenBytes + counts.ReadBytes
				t.Logf("%.1f s, %d operations, %.1f MiB", got.Seconds, counts.Operations, float64(moved)/mib)
				if got.Seconds >= 60 {
					t.Errorf("%.1f s", got.Seconds)
				}
				// The meter counts what the card moved; what was only expected lies near where the card is sound.
				look := o.Meter.Look()
				if moved := counts.WrittenBytes + counts.ReadBytes; look.DoneBytes != moved || look.TotalBytes < moved ||
					name == "Sound" && look.TotalBytes > moved+mib {
					t.Errorf("the meter says %+v of %d bytes", look, moved)
				}
			})
		})
	}
}

// TestMeterTellsTheRateOfItsPhase looks while the card is read, at a rate of its own.
func TestMeterTellsTheRateOfItsPhase(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newCard(t, cardlab.Traits{SizeBytes: 96 * mib, WriteBytesPerSecond: 10e6, ReadBytesPerSecond: 40e6})
		o := capacity.Options{Erase: true, Meter: new(capacity.Meter)}
		seen := map[string]float64{}
		card.Inject(func(cardlab.Op) cardlab.Fault {
			look := o.Meter.Look()
			seen[look.Phase] = look.BytesPerSecond
			return cardlab.FaultNone
		})
		if _, err := capacity.Quick(t.Context(), card, o); err != nil {
			t.Fatal(err)
		}
		if seen["stamping"] < 9.9e6 || seen["stamping"] > 10.1e6 || seen["reading back"] < 39e6 || seen["reading back"] > 41e6 {
			t.Errorf("%v", seen)
		}
	})
}
