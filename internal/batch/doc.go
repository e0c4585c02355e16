// Package batch works through many cards: whenever one is seated in a bay, it is looked at, given its turn, flashed, proven,
// recorded and asked to be swapped, each bay on its own clock.
//
// It never writes to a card but through package job, never touches a device that is not a bay, and has no face of its own: it
// tells events, and shows its bays to whoever looks.
//
// Read next: Batch.Run (batch.go), bay.work (bay.go), what a card is held for (hands.go), and until when (held.go).
package batch
