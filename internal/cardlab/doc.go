// Package cardlab is an emulated memory card whose truth is known.
//
// New makes a card in memory from its Traits: how fast it is, how large it really is, and how it fails. Card implements
// flash.Card, knows written from synced bytes, can be pulled and plugged in again, and lets a test fail any single
// operation. Truth looks at what the medium really holds, past all of that. Package blockdev shows the same card to the kernel
// as a block device, so that a program under test sees nothing but an ordinary disk.
//
// The package never touches real hardware, and never reads a clock but through package time: in memory, a card's time is
// the virtual one of testing/synctest where a test asks for it.
//
// Read next: Traits (traits.go), Card (card.go), Truth (truth.go).
package cardlab
