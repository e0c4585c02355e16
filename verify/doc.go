// Package verify reads a card back and compares it with the manifest of the image that was written to it.
//
// A Prover reads all blocks of a card, or its body and then its head, compares digests, and maps what differs: where, how
// long and of which kind. Damage is a result and not an error; the proof goes on to the end. A card that answers nothing at
// all any more is an error.
//
// The package never writes, never opens a device and never drops a cache by itself: the caller does that first and tells
// the truth about it in Prover.Proof.
//
// Blocks that the manifest calls free are not read, and say nothing about any other.
//
// Read next: Prover (prove.go), how it digests beside reading (digester.go), why the head is special (head.go), blocks that are
// changed on purpose (change.go), Damage (damage.go), where wrong content comes from (origin.go), a card that wraps its addresses
// (wrap.go).
package verify
