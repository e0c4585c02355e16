// Package job takes one or more cards all the way from an opened target to a closed record. It is the only place that
// orders the steps: clear, discard, body, proof, the card's own files, head, proof, inspection, record. A check of a card, against
// its image or of its size, goes from an opened target to a closed record too.
//
// The package opens no device, asks no question and prints nothing. Whoever calls it judged the targets and asked the
// operator; job checks once more, right before the first write.
//
// Read next: Flash (flash.go), the way of one card (way.go), how it is waited for (vigil.go), Check (check.go), Capacity
// (capacity.go), what a card's registers tell (identity.go) and what speaks against them, alone and beside other cards (doubts.go).
package job
