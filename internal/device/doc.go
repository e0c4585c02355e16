// Package device lists the machine's disks, judges whether one may be written, and opens one as a flash.Card.
//
// ReadSnapshot reads the kernel's sysfs and proc trees into plain values; Judge decides on those values alone, and what it
// cannot know counts against the disk. Open judges a path, opens it exclusively, judges again through the descriptor and
// gives a Card that holds this descriptor until Close.
//
// A Bay is a reader's fixed place: it tells which card is in it, and opens that one alone; Changes tells when to look.
//
// The package never writes on its own account, never unmounts, never makes, grows or cuts a file, and never offers a
// partition, a memory disk, an optical or floppy drive or the hardware areas of an MMC device. It knows nothing of images,
// runs or terminals.
//
// Read next: Snapshot (snapshot.go), ReadSnapshot (read.go), Judge (judge.go), graph (graph.go), Open (open_linux.go),
// Card (card_linux.go), List (list_linux.go), Bay (bay_linux.go), Changes (changes_linux.go), Bus
// (bus.go).
package device
