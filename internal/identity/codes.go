package identity

import "fmt"

// A codeRule tells which codes of a field the specification keeps for later.
type codeRule struct {
	field    string
	reserved func(code uint64) bool
}

// The fields of an SD card's registers whose codes are not all in use (Physical Layer Specification 4.10, 5.3.1, 5.6 and 4.10.2;
// video and application classes as in later ones, video's from memory).
var (
	csdCodes = []codeRule{
		{"CSD_STRUCTURE", above(2)},
	}
	scrCodes = []codeRule{
		{"SCR_STRUCTURE", above(0)},
		{"SD_SECURITY", above(4)},
		{"SD_BUS_WIDTHS", func(code uint64) bool { return code&^oneAndFourBits != 0 }},
	}
	ssrCodes = []codeRule{
		{"DAT_BUS_WIDTH", func(code uint64) bool { return code != 0 && code != 2 }},
		{"SD_CARD_TYPE", above(2)},
		{"SPEED_CLASS", noneOf(speedClasses)},
		{"UHS_SPEED_GRADE", noneOf(uhsGrades)},
		{"UHS_AU_SIZE", func(code uint64) bool { return code != 0 && code < leastUHSAU }},
		{"VIDEO_SPEED_CLASS", noneOf(videoClasses)},
		{"APP_PERF_CLASS", noneOf(appClasses)},
	}
	healthCodes = []codeRule{ // JESD84-B51, 7.4, from memory
		{"PRE_EOL_INFO", above(3)},
		{"DEVICE_LIFE_TIME_EST_TYP_A", above(0x0b)},
		{"DEVICE_LIFE_TIME_EST_TYP_B", above(0x0b)},
	}
)

func above(highest uint64) func(uint64) bool { return func(code uint64) bool { return code > highest } }

func noneOf(classes map[uint64]int) func(uint64) bool {
	return func(code uint64) bool {
		_, known := classes[code]
		return !known
	}
}

// aboutCodes tells which fields hold a reserved code. Cards that follow a later version of the specification than is known here
// may hold one and be sound.
func (d *doubts) aboutCodes() {
	if d.card.Health != nil {
		d.reservedCodes("EXT_CSD", d.card.Health, healthCodes)
	}
	if d.card.Kind != KindSD {
		return
	}
	if d.card.CSD != nil {
		d.reservedCodes("CSD", d.card.CSD, csdCodes)
	}
	if d.card.SCR != nil {
		d.reservedCodes("SCR", d.card.SCR, scrCodes)
	}
	if d.card.SSR != nil {
		d.reservedCodes("SSR", d.card.SSR, ssrCodes)
	}
}

func (d *doubts) reservedCodes(name string, r register, rules []codeRule) {
	for _, rule := range rules {
		if code, ok := r.Value(rule.field); ok && rule.reserved(code) {
			d.hint("reserved-code", fmt.Sprintf("The field %s of the card's %s holds a code that the specification keeps for later.",
				rule.field, name), evidenceOf(r, rule.field))
		}
	}
}
