package logbook

import "fmt"

// Reason says in one line why a card is not intact. It is empty where the card is.
func (r *Run) Reason() string {
	switch {
	case r.Verdict == Intact:
		return ""
	case r.Proof != nil && r.Proof.TrueSizeBytes != nil:
		return fmt.Sprintf("it reads back as if it held %d bytes", *r.Proof.TrueSizeBytes)
	case r.Proof != nil && len(r.Proof.Damage) == 1:
		return fmt.Sprintf("one place differs, from byte %d on", r.Proof.Damage[0].OffsetBytes)
	case r.Proof != nil && len(r.Proof.Damage) > 1:
		return fmt.Sprintf("%d places differ, from byte %d on", len(r.Proof.Damage), r.Proof.Damage[0].OffsetBytes)
	case r.Error != nil:
		return fmt.Sprintf("%s at byte %d: %s", r.Error.Step, r.Error.OffsetBytes, r.Error.Cause)
	}
	return "its record was never closed"
}
