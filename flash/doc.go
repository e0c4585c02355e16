// Package flash writes one decoded image to one or more cards and measures each card while it does so.
//
// The image is cut into blocks of 4 MiB. Pump reads it once, keeps a digest of every block in a Manifest and puts each
// block into every card's Feed, out of which the card's Writer takes it. The first block, the head, is withheld: it holds the
// boot sector and the partition table, and is written by Writer.WriteHead only after the rest of the card was proven. Blocks
// that the caller calls free are digested like all others and given to no card.
//
// The package never opens a device, never decides whether a card may be written and never reads a card: opening and
// judging are the caller's, reading back is package verify's. It knows nothing of Linux, SQL, HTTP or terminals.
//
// Read next: Card (card.go), Manifest (manifest.go), Pump (pump.go), Feed (feed.go), Writer (writer.go), Watch (watch.go), Trace
// (trace.go).
package flash
