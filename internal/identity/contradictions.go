package identity

import (
	"fmt"
	"time"

	"cardwright/partition"
)

// A Situation is what is known beside the registers. Its zero value knows nothing, and what is not known is not compared.
type Situation struct {
	KernelSizeBytes int64     // the size that the kernel gives the card's user area; 0 unknown
	Today           time.Time // zero: unknown
	Printed         Claims    // what is printed on the card
}

// Caution is the sentence to show beside all findings of Contradictions and AcrossCards.
func Caution() string {
	return "Registers can be forged, and makers customise them for buyers: none of this proves anything about a card."
}

// Contradictions tells what in the registers does not fit together or into the situation. A finding is a warning where the
// specification leaves no room for what was found, and information where sound cards may show it too; it is never a fault, as
// none of it proves anything. A register that is not there contradicts nothing. The result is never nil.
func (c *Card) Contradictions(s Situation) []partition.Finding {
	d := doubts{card: c, situation: s, findings: findings{}}
	d.aboutChecksums()
	d.aboutIdentity()
	d.aboutCodes()
	if c.Kind != KindSD {
		return d.findings // an eMMC keeps its year in four bits, its size and its classes elsewhere
	}
	d.aboutDate()
	d.aboutVersion()
	d.aboutLayout()
	d.aboutCapacity()
	d.aboutStatus()
	d.aboutClasses()
	d.aboutPrint()
	return d.findings
}

// findings are collected in the order in which they are told.
type findings []partition.Finding

func (f *findings) add(code string, severity partition.Severity, sentence, evidence string) {
	*f = append(*f, partition.Finding{Code: code, Severity: severity, Sentence: sentence, Evidence: evidence})
}

// doubts collects the findings on one card.
type doubts struct {
	card      *Card
	situation Situation
	findings
}

// contradiction adds what the specification leaves no room for.
func (d *doubts) contradiction(code, sentence, evidence string) {
	d.add(code, partition.Warning, sentence, evidence)
}

// hint adds what sound cards may show too.
func (d *doubts) hint(code, sentence, evidence string) {
	d.add(code, partition.Information, sentence, evidence)
}

// aboutChecksums compares the checksums where the host delivers them; a missing one says nothing, as hosts strip them.
func (d *doubts) aboutChecksums() {
	if cid := d.card.CID; cid != nil && tellsCards(cid.Raw) && cid.CRCOK != nil && !*cid.CRCOK {
		d.contradiction("cid-checksum-wrong", "The checksum of the card's identity (CID) does not fit its content.", "CID "+cid.Raw)
	}
	if csd := d.card.CSD; csd != nil && csd.CRCOK != nil && !*csd.CRCOK {
		d.contradiction("csd-checksum-wrong", "The checksum of the card's description (CSD) does not fit its content.", "CSD "+csd.Raw)
	}
}

// A register is one of those whose fields can be looked up by their names.
type register interface {
	Value(field string) (uint64, bool)
}

// evidenceOf writes fields as they are compared, "SD_SPEC 0x2, SD_SPEC3 0x0".
func evidenceOf(r register, fields ...string) (evidence string) {
	for _, field := range fields {
		if value, ok := r.Value(field); ok {
			if evidence != "" {
				evidence += ", "
			}
			evidence += fmt.Sprintf("%s 0x%x", field, value)
		}
	}
	return evidence
}
