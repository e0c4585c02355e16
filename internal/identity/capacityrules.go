package identity

import (
	"fmt"
	"slices"
	"strings"
)

// A capacityClass is what the size of an SD card makes it.
type capacityClass string

// The capacity classes.
const (
	sdsc capacityClass = "SDSC"
	sdhc capacityClass = "SDHC"
	sdxc capacityClass = "SDXC"
	sduc capacityClass = "SDUC"
)

// The values of C_SIZE at which the classes begin and end, in units of 512 KiB (Physical Layer Specification 4.10, 5.3.3; the two
// ends are from memory, and so is that SDUC begins where 22 bits end).
const (
	leastSDHC = 0x1010
	mostSDHC  = 0xff5f
	leastSDXC = 0xffff
	mostSDXC  = 0x3ffeff
	leastSDUC = 0x400000
)

// mostSDSCBytes is the capacity where SDSC ends.
const mostSDSCBytes = 2 << 30

// class gives the capacity class, and "" for a size that is in none.
func (c *CSD) class() capacityClass {
	if c == nil || c.CapacityBytes == 0 {
		return ""
	}
	size, _ := c.Value("C_SIZE")
	switch {
	case c.Structure == "1.0" && c.CapacityBytes <= mostSDSCBytes:
		return sdsc
	case c.Structure == "2.0" && size >= leastSDHC && size <= mostSDHC:
		return sdhc
	case c.Structure == "2.0" && size >= leastSDXC && size <= mostSDXC:
		return sdxc
	case c.Structure == "3.0" && size >= leastSDUC:
		return sduc
	}
	return ""
}

// aboutCapacity asks whether the capacity fits the structure that tells it, the kernel's size, and the card's security.
func (d *doubts) aboutCapacity() {
	csd, scr := d.card.CSD, d.card.SCR
	if csd == nil || csd.CapacityBytes == 0 {
		return
	}
	evidence := fmt.Sprintf("%s, %d bytes", evidenceOf(csd, "CSD_STRUCTURE", "C_SIZE"), csd.CapacityBytes)
	if csd.class() == "" {
		d.outsideClasses(evidence)
	}
	switch kernel := d.situation.KernelSizeBytes; {
	case kernel == 0 || kernel == csd.CapacityBytes:
	case kernel > csd.CapacityBytes:
		d.contradiction("capacity-differs-from-kernel", "The kernel gives the card more than its description (CSD) says it holds.",
			fmt.Sprintf("%s; the kernel's size is %d bytes", evidence, kernel))
	default:
		d.hint("capacity-differs-from-kernel",
			"The kernel gives less than the card's description (CSD) says; some hosts use a part of a card.",
			fmt.Sprintf("%s; the kernel's size is %d bytes", evidence, kernel))
	}
	class := csd.class()
	if scr != nil && slices.Contains(securityOfOthers[class], scr.Security) {
		d.contradiction("security-of-other-capacity-class",
			fmt.Sprintf("The card is of capacity class %s, but its security is that of another.", class),
			evidence+", "+evidenceOf(scr, "SD_SECURITY"))
	}
}

// securityOfOthers are the codes of SD_SECURITY that are kept for other capacity classes (Physical Layer Specification 4.10, table
// 5-20, which has 2 for SDSC, 3 for SDHC, 4 for SDXC). That of SDUC, a later class, is not known; it may well be SDXC's.
var securityOfOthers = map[capacityClass][]int{sdsc: {3, 4}, sdhc: {2, 4}, sdxc: {2, 3}, sduc: {2, 3}}

// outsideClasses tells of a capacity that no class has. Where the bound is from memory it is but a hint.
func (d *doubts) outsideClasses(evidence string) {
	const code = "capacity-outside-class"
	const sentence = "The capacity lies outside the classes that the structure of the card's description (CSD) is made for."
	if size, _ := d.card.CSD.Value("C_SIZE"); d.card.CSD.Structure == "2.0" && size > mostSDHC {
		d.hint(code, sentence, evidence)
		return
	}
	d.contradiction(code, sentence, evidence)
}

// aboutLayout asks whether the fields of a CSD that leave no choice hold what they must.
func (d *doubts) aboutLayout() {
	csd := d.card.CSD
	if csd == nil {
		return
	}
	switch csd.Structure {
	case "1.0":
		if length, ok := csd.Value("READ_BL_LEN"); ok && (length < 9 || length > 11) {
			d.contradiction("block-length-impossible", "The block length in the card's description (CSD) is none that cards have.",
				evidenceOf(csd, "READ_BL_LEN"))
		}
	case "2.0", "3.0":
		d.fixed()
	}
}

// fixed tells which of the fields differ that structures 2.0 and 3.0 fix; that 3.0 keeps all of them is from memory.
func (d *doubts) fixed() {
	var differing []string
	for _, field := range d.card.CSD.Fields {
		want, is := fixedFields[field.Name]
		if value, ok := d.card.CSD.Value(field.Name); is && ok && value != want {
			differing = append(differing, fmt.Sprintf("%s 0x%x in place of 0x%x", field.Name, value, want))
		}
	}
	if len(differing) > 0 {
		d.contradiction("fixed-field-differs", "Fields of the card's description (CSD) that are the same in every such card differ.",
			strings.Join(differing, ", "))
	}
}
