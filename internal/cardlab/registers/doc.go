// Package registers makes what a memory card tells of itself: the registers of SD cards and of eMMC, and the folder in which a
// Linux kernel shows them.
//
// Parts are the registers as structs, one field per field of the specification; their Encode gives a Set, the bytes that one
// card tells, with checksums and end bits. A Set's Folder is shaped like the kernel's device folder of that card. Sample gives
// sound cards that do not exist, Random gives any values that fit, and Forgeries are named ways for a card to lie.
//
// The package decodes nothing for anyone, judges nothing, and is written from the specifications alone: it is the other side of
// the tests of whoever decodes. What it knows from memory and not from a published text is marked so.
//
// Read next: Parts and Set (set.go), CID (cid.go), Files (folder.go), Forgeries (forgery.go).
package registers
