package identity

import (
	"fmt"
	"strings"
)

// status gives the SD status, nil where it is not there. The kernel shows one of zeros alone where a card did not answer, which
// claims nothing and contradicts nothing.
func (c *Card) status() *SSR {
	if c.SSR == nil || strings.Trim(c.SSR.Raw, "0") == "" {
		return nil
	}
	return c.SSR
}

// oneAndFourBits are the bus widths that every SD memory card has (Physical Layer Specification 4.10, 5.6).
const oneAndFourBits = 0b0101

// aboutStatus asks whether the SD status and the bus fit the capacity and the version.
func (d *doubts) aboutStatus() {
	if scr := d.card.SCR; scr != nil {
		if widths, ok := scr.Value("SD_BUS_WIDTHS"); ok && widths&oneAndFourBits != oneAndFourBits {
			d.contradiction("bus-width-missing", "The card does not say that it has the two bus widths which every SD card has.",
				evidenceOf(scr, "SD_BUS_WIDTHS"))
		}
	}
	ssr := d.card.status()
	if ssr == nil {
		return
	}
	d.aboutUnits(ssr)
	if code, ok := ssr.Value("SPEED_CLASS"); ok && code == 0 {
		switch class := d.card.CSD.class(); class {
		case sdhc, sdxc, sduc:
			d.contradiction("speed-class-missing", fmt.Sprintf("The card claims no speed class, but every %s card has one.", class),
				evidenceOf(ssr, "SPEED_CLASS"))
		}
	}
	grade, _ := ssr.Value("UHS_SPEED_GRADE")
	unit, _ := ssr.Value("UHS_AU_SIZE")
	if scr := d.card.SCR; scr != nil && !scr.Spec3 && grade+unit > 0 {
		d.contradiction("uhs-without-version-3", "The card tells of UHS, but follows a version of the specification before UHS.",
			fmt.Sprintf("%s, %s", evidenceOf(ssr, "UHS_SPEED_GRADE", "UHS_AU_SIZE"), evidenceOf(scr, versionFields...)))
	}
}

// aboutUnits compares the size of the allocation unit with the largest that the capacity allows (Physical Layer Specification
// 4.10, table 4-47).
func (d *doubts) aboutUnits(ssr *SSR) {
	const mib = 1 << 20
	capacityBytes := int64(0)
	if d.card.CSD != nil {
		capacityBytes = d.card.CSD.CapacityBytes
	}
	var mostBytes int64
	switch class := d.card.CSD.class(); {
	case class == sdsc && capacityBytes <= 64*mib:
		mostBytes = 512 << 10
	case class == sdsc && capacityBytes <= 256*mib:
		mostBytes = mib
	case class == sdsc && capacityBytes <= 512*mib:
		mostBytes = 2 * mib
	case class == sdsc || class == sdhc:
		mostBytes = 4 * mib
	default:
		return // SDXC may have any, and of SDUC no bound is known
	}
	if ssr.AUBytes > mostBytes {
		d.contradiction("au-too-large",
			fmt.Sprintf("The card's allocation unit of %d KiB is larger than the %d KiB that cards of its capacity may have.",
				ssr.AUBytes>>10, mostBytes>>10),
			fmt.Sprintf("%s, capacity %d bytes", evidenceOf(ssr, "AU_SIZE"), capacityBytes))
	}
}

// classFields are those that tell the classes of the SD status.
var classFields = []string{"SPEED_CLASS", "UHS_SPEED_GRADE", "VIDEO_SPEED_CLASS", "APP_PERF_CLASS"}

// aboutClasses asks whether the claimed classes go together, and with what they need.
func (d *doubts) aboutClasses() {
	ssr := d.card.status()
	if ssr == nil {
		return
	}
	claims := d.card.Claims()
	d.besideOneAnother(ssr, claims)
	const highSpeedClass = 10 // of the bits of CCC: the switch command (from memory)
	if csd := d.card.CSD; csd != nil && claims.WriteBytesPerSecond() >= 10*bytesPerMB {
		if classes, ok := csd.Value("CCC"); ok && classes>>highSpeedClass&1 == 0 {
			d.contradiction("class-without-high-speed",
				fmt.Sprintf("The card claims %s, which needs a fast bus mode, but has no commands to switch to one.", claims.Marks()),
				fmt.Sprintf("%s, %s", evidenceOf(csd, "CCC"), evidenceOf(ssr, classFields...)))
		}
	}
	d.aboutClassVersions(ssr, claims)
	enhancements, ok := ssr.Value("PERFORMANCE_ENHANCE") // bits from memory: 2 cache, 7 to 3 the depth of the queue
	if cache, queue := enhancements&4, enhancements>>3; ok && claims.AppClass == 2 && (cache == 0 || queue == 0) {
		d.contradiction("a2-without-queue-and-cache",
			"The card claims A2, which needs a command queue and a cache, and does not have both.",
			evidenceOf(ssr, "APP_PERF_CLASS", "PERFORMANCE_ENHANCE"))
	}
}

// besideOneAnother compares the classes of the families: U1, V10, A1 and A2 demand what Class 10 does, V6 what Class 6, V30 and
// more what U3 does, as their rates say. A family with a reserved code is not compared.
func (d *doubts) besideOneAnother(ssr *SSR, claims Claims) {
	needed := 0
	switch {
	case claims.UHSGrade > 0 || claims.VideoClass >= 10 || claims.AppClass > 0:
		needed = 10
	case claims.VideoClass == 6:
		needed = 6
	}
	const code, sentence = "class-without-lower", "The card claims %s, but not %s, whose promise is part of it."
	if known(ssr, "SPEED_CLASS") && claims.SpeedClass < needed {
		d.contradiction(code, fmt.Sprintf(sentence, claims, fmt.Sprintf("C%d", needed)), evidenceOf(ssr, classFields...))
	}
	if known(ssr, "UHS_SPEED_GRADE") && claims.VideoClass >= 30 && claims.UHSGrade < 3 {
		d.contradiction(code, fmt.Sprintf(sentence, claims, "U3"), evidenceOf(ssr, classFields...))
	}
}

// known tells whether a field of the SD status holds a code that is not reserved.
func known(ssr *SSR, field string) bool {
	code, ok := ssr.Value(field)
	for _, rule := range ssrCodes {
		if rule.field == field && rule.reserved(code) {
			return false
		}
	}
	return ok
}

// aboutClassVersions asks whether the version that the card follows has the classes that it claims: A1 came with 5.1, of which
// the registers tell 5, and A2 with 6.0 (SD Association); that the video classes came with 5.0 is from memory.
func (d *doubts) aboutClassVersions(ssr *SSR, claims Claims) {
	scr := d.card.SCR
	if scr == nil || scr.version() == versionUnknown {
		return
	}
	const code = "class-newer-than-version"
	const sentence = "The card claims %s, which the version of the specification that it follows, %s, does not have."
	evidence := fmt.Sprintf("%s, %s", evidenceOf(ssr, classFields...), evidenceOf(scr, versionFields...))
	appSince := map[int]version{1: version5, 2: version6}
	if scr.version() < appSince[claims.AppClass] {
		d.contradiction(code, fmt.Sprintf(sentence, claims.appMark(), scr.SpecVersion), evidence)
	}
	if claims.VideoClass > 0 && scr.version() < version5 {
		d.hint(code, fmt.Sprintf(sentence, fmt.Sprintf("V%d", claims.VideoClass), scr.SpecVersion), evidence)
	}
}

// aboutPrint compares what is printed on the card with its own claims. SD Express classes stand in no register that is read here.
func (d *doubts) aboutPrint() {
	ssr := d.card.status()
	if ssr == nil {
		return
	}
	claims, printed := d.card.Claims(), d.situation.Printed
	printed.ExpressClass = 0
	faster := printed.WriteBytesPerSecond() > claims.WriteBytesPerSecond()
	for _, field := range classFields {
		faster = faster && known(ssr, field)
	}
	if faster || (printed.AppClass > claims.AppClass && known(ssr, "APP_PERF_CLASS")) {
		d.contradiction("print-promises-more", "What is printed on the card promises more than its own registers do.",
			fmt.Sprintf("printed %s; registers %s", printed, orNone(claims.String())))
	}
}

func orNone(text string) string {
	if text == "" {
		return "no class"
	}
	return text
}
