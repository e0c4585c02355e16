// Package store keeps prepared images: decoded once, proven, and read for card after card.
//
// An entry is a folder that is named after the packed source's digest. It holds the decoded image as a raw file in which runs
// of zeros take no room, and the digest of each of its blocks. It appears whole or not at all: it is written in a folder of its
// own, brought to the disk, read back and compared, and only then renamed into place. Whoever uses an entry holds a lock on it,
// so that nobody removes it meanwhile. No byte of an image is handed out before its block was compared with its digest.
//
// The package never asks where a card is or what is on it, and it follows no name that comes with an image.
//
// Read next: Store (store.go), Find (find.go), Preparation (preparation.go), Prepared (prepared.go), Image (image.go).
package store
