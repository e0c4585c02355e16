// Package blockdev shows an emulated card to the kernel as a real block device: a FUSE file under a loop device, both of them past any
// cache.
//
// The package models nothing: what the card does is package cardlab's. It leaves no mount and no loop device behind, also
// when the card hangs. It needs root, and works on Linux alone.
//
// A Node is one card for as long as it is needed; a Reader stays while cards are seated and pulled.
//
// Read next: Attach (node_linux.go), Reader (reader_linux.go).
package blockdev
