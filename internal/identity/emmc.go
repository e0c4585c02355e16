package identity

import "fmt"

// emmcYear gives the year of a CID's four bits, and the words for it. They counted from 1997 and ran out, so that from EXT_CSD
// revision 5 on (eMMC 4.41) the codes before 2010 stand for 16 years later. Without the revision the later year is taken, since
// few modules older than that revision are left, and the words tell both.
func emmcYear(code int, revision *uint8) (year int, words string) {
	const wrapYears = 16
	year = 1997 + code
	switch {
	case year >= 2010 || revision != nil && *revision < 5:
		return year, fmt.Sprint(year)
	case revision == nil:
		return year + wrapYears, fmt.Sprintf("%d or %d: the EXT_CSD revision, which decides, is unknown", year, year+wrapYears)
	}
	return year + wrapYears, fmt.Sprint(year + wrapYears)
}

// decodeHealth reads what an eMMC's EXT_CSD says of its wear, nil where nothing of it is known.
func decodeHealth(raw *Raw) *Health {
	if raw.LifeTimeA == nil && raw.LifeTimeB == nil && raw.PreEOL == nil && raw.EXTCSDRevision == nil {
		return nil
	}
	h := &Health{}
	h.add("EXT_CSD_REV", 192, raw.EXTCSDRevision, extRevision)
	h.PreEOL = h.add("PRE_EOL_INFO", 267, raw.PreEOL, preEOL)
	h.LifeTimeA = h.add("DEVICE_LIFE_TIME_EST_TYP_A", 268, raw.LifeTimeA, lifeTime)
	h.LifeTimeB = h.add("DEVICE_LIFE_TIME_EST_TYP_B", 269, raw.LifeTimeB, lifeTime)
	return h
}

// add takes up the byte at an index of EXT_CSD, where it is known, and gives its meaning.
func (h *Health) add(name string, index int, value *uint8, means func(uint64) string) string {
	if value == nil {
		return ""
	}
	meaning := means(uint64(*value))
	raw := fmt.Sprintf("0x%02x", *value)
	h.Fields = append(h.Fields, Field{Name: name, Bits: fmt.Sprintf("byte %d", index), Raw: raw, Meaning: meaning})
	return meaning
}

func lifeTime(code uint64) string {
	switch {
	case code == 0:
		return "not defined"
	case code <= 10:
		return fmt.Sprintf("%d-%d %% used", 10*(code-1), 10*code)
	case code == 11:
		return "used beyond its estimated life"
	}
	return reservedCode(code)
}

// preEOL tells how many of the blocks are used up that a module holds in reserve.
var preEOL = codes("not defined", "normal: less than 80 % of the reserve used", "warning: 80 % of the reserve used",
	"urgent: 90 % of the reserve used")

// extRevision names the eMMC versions of EXT_CSD's revisions (from memory).
var extRevision = codes("before eMMC 4.41", "before eMMC 4.41", "before eMMC 4.41", "before eMMC 4.41", "before eMMC 4.41",
	"eMMC 4.41", "eMMC 4.5", "eMMC 5.0", "eMMC 5.1")
