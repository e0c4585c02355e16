package capacity_test

import (
	"testing"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/cardlab"
)

// BenchmarkStamps is how fast one core makes stamps: it must not be what limits a card.
func BenchmarkStamps(b *testing.B) {
	stamps, p := capacity.NewStamper("seed"), flash.AlignedBuffer(flash.BlockBytes)
	b.SetBytes(flash.BlockBytes)
	for b.Loop() {
		stamps.Fill(p, 1<<40, 1)
	}
}

// BenchmarkStampsRead is how fast one core knows them again.
func BenchmarkStampsRead(b *testing.B) {
	stamps, p := capacity.NewStamper("seed"), flash.AlignedBuffer(flash.BlockBytes)
	stamps.Fill(p, 0, 1)
	b.SetBytes(flash.BlockBytes)
	for b.Loop() {
		for at := 0; at < len(p); at += capacity.StampBytes {
			if !stamps.Read(p[at : at+capacity.StampBytes]).Sound {
				b.Fatal("a stamp was not known again")
			}
		}
	}
}

// BenchmarkFull is a whole check in memory; each byte of the card counts once, though it is written and read.
func BenchmarkFull(b *testing.B) {
	const size = 128 * mib
	b.SetBytes(size)
	for b.Loop() {
		b.StopTimer()
		card := newLabCard(b, cardlab.Traits{SizeBytes: size})
		b.StartTimer()
		if r := checkFull(b, card, capacity.Options{}); r.Verdict != capacity.True {
			b.Fatalf("%+v", r)
		}
	}
}
