// Package identity decodes the registers of memory cards: CID, CSD, SCR and SSR of SD cards, the CID and the health of eMMC
// modules; what they promise, and what in them contradicts itself.
//
// ReadFolder takes a folder shaped like the kernel's device folder of a card, Decode turns what was read into a Card, whose
// Claims say what it promises and whose Contradictions say what does not fit together. AcrossCards holds a card against others.
// Nothing here proves anything: registers can be forged, and makers customise them.
//
// The package never opens a device, never writes, and ships no table of makers.
//
// Read next: Raw (folder.go), Card (card.go), CID (cid.go), Claims (claims.go), Contradictions (contradictions.go).
package identity
