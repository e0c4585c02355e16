package identity

import "fmt"

// A version of the specification, of which the registers tell the first number, and of version 1 whether it is 1.10.
type version int

// The versions that rules ask for, and those before them.
const (
	versionUnknown version = iota
	version1
	version110
	version2
	version3
	version4
	version5
	version6
	version7
	version8
)

// finishedIn are the years in which the versions were finished: from memory, but for 5.1 of 2016 (SD Association). Of a version
// with several issues it is the first one's year, since the registers do not tell the issue.
var finishedIn = map[version]int{
	version110: 2004, version2: 2006, version3: 2009, version4: 2011, version5: 2016, version6: 2017, version7: 2018, version8: 2020,
}

// versionFields are those that tell the version together.
var versionFields = []string{"SD_SPEC", "SD_SPEC3", "SD_SPEC4", "SD_SPECX"}

// versionsByName are those that SpecVersion may name.
var versionsByName = map[string]version{
	"1.0/1.01": version1, "1.10": version110, "2.00": version2, "3.0x": version3, "4.xx": version4, "5.x": version5, "6.x": version6,
	"7.x": version7, "8.x": version8,
}

func (s *SCR) version() version { return versionsByName[s.SpecVersion] }

// aboutVersion asks whether the version's fields go together, and whether the version has what the card says it is.
func (d *doubts) aboutVersion() {
	scr := d.card.SCR
	if scr == nil {
		return
	}
	spec, known := scr.Value("SD_SPEC")
	if known && scr.version() == versionUnknown {
		evidence := evidenceOf(scr, versionFields...)
		if spec > 2 || (scr.Spec3 && spec == 2) { // as a version to come may have it
			d.hint("spec-version-unknown", "The card follows a version of the specification that is not known here.", evidence)
		} else {
			d.contradiction("spec-version-contradictory",
				"The fields that tell the card's version of the specification exclude one another.", evidence)
		}
	}
	class := d.card.CSD.class()
	if since := capacityClassSince[class]; scr.version() != versionUnknown && scr.version() < since {
		d.contradiction("capacity-class-without-version",
			fmt.Sprintf("The card is of capacity class %s, which the version that it follows, %s, does not have.", class, scr.SpecVersion),
			fmt.Sprintf("%s, %s", evidenceOf(d.card.CSD, "CSD_STRUCTURE", "C_SIZE"), evidenceOf(scr, versionFields...)))
	}
}

// capacityClassSince are the versions that brought the capacity classes (SDHC: Physical Layer Specification 4.10, 3.3.2; the
// others from memory).
var capacityClassSince = map[capacityClass]version{sdhc: version2, sdxc: version3, sduc: version7}
