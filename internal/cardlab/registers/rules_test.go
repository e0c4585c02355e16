package registers_test

import (
	"slices"
	"testing"
	"time"

	"cardwright/internal/cardlab/registers"
)

// broken names the rules that a card breaks. The rules follow from tables of the SD Physical Layer Simplified Specification
// 4.10: checksums 4.5, CID Table 5-2, CSD 5.3.3, classes of capacity 3.3.2, security Table 5-20, speed classes 3.4 and Table
// 4-44, allocation units Table 4-47, bus widths 5.6. The years of versions, application and video classes and versions from 5.0
// on are from memory; the states of an eMMC are those of JESD84-B51.
func broken(s registers.Set, today time.Time) (rules []string) {
	say := func(rule string, isBroken bool) {
		if isBroken {
			rules = append(rules, rule)
		}
	}
	for name, register := range map[string][]byte{"cid checksum": s.CID, "csd checksum": s.CSD} {
		sum := register[15] >> 1
		say(name, sum != 0 && sum != registers.CRC7(register[:15]))
	}
	if s.Kind == registers.EMMC {
		say("name", !printable(s.CID[3:9]))
		say("serial", slices.Contains([]uint64{0, 0xFFFFFFFF, 0x12345678}, bits(s.CID, 47, 16)))
		say("month", bits(s.CID, 15, 12) < 1 || bits(s.CID, 15, 12) > 12)
		say("life time", s.ExtCSD.LifeTimeA > 11 || s.ExtCSD.LifeTimeB > 11)
		say("pre-EOL", s.ExtCSD.PreEOL > 3)
	} else {
		identityRules(s, today, say)
		capacityRules(s, say)
		classRules(s, say)
		reservedRules(s, say)
	}
	slices.Sort(rules)
	return rules
}

func printable(text []byte) bool {
	return !slices.ContainsFunc(text, func(b byte) bool { return b < ' ' || b > '~' })
}

func identityRules(s registers.Set, today time.Time, say func(string, bool)) {
	year, month := 2000+int(bits(s.CID, 19, 12)), int(bits(s.CID, 11, 8))
	say("oem", !printable(s.CID[1:3]))
	say("name", !printable(s.CID[3:8]))
	say("serial", slices.Contains([]uint64{0, 0xFFFFFFFF, 0x12345678}, bits(s.CID, 55, 24)))
	say("month", month < 1 || month > 12)
	say("future", year > today.Year())
	firstYear := 2006 // of version 2.00
	switch specX := bits(s.SCR, 41, 38); {
	case specX > 0:
		firstYear = 2014 + int(specX)
	case bits(s.SCR, 42, 42) == 1:
		firstYear = 2011
	case bits(s.SCR, 47, 47) == 1:
		firstYear = 2009
	}
	say("before version", year < firstYear)
}

func capacityRules(s registers.Set, say func(string, bool)) {
	var capacityBytes, leastBytes, mostBytes uint64
	security, greatestAU := uint64(0), uint64(9)
	switch s.Kind {
	case registers.SDSC:
		capacityBytes = (bits(s.CSD, 73, 62) + 1) << (bits(s.CSD, 49, 47) + 2 + bits(s.CSD, 83, 80))
		leastBytes, mostBytes, security = 1, 2<<30, 2
	case registers.SDHC:
		capacityBytes = (bits(s.CSD, 69, 48) + 1) * 512 << 10
		leastBytes, mostBytes, security = 2_156_396_544, 32<<30, 3
	case registers.SDXC:
		capacityBytes = (bits(s.CSD, 69, 48) + 1) * 512 << 10
		leastBytes, mostBytes, security, greatestAU = 32<<30, 2_198_889_037_824, 4, 15
	case registers.SDUC:
		capacityBytes = (bits(s.CSD, 75, 48) + 1) * 512 << 10
		leastBytes, mostBytes, security, greatestAU = 2<<40+1, 128<<40, 4, 15
		say("version of SDUC", bits(s.SCR, 41, 38) < 3)
	}
	say("size", capacityBytes != uint64(s.SizeBytes))
	say("class of capacity", capacityBytes < leastBytes || capacityBytes > mostBytes)
	say("security", bits(s.SCR, 54, 52) != 0 && bits(s.SCR, 54, 52) != security)
	say("au", bits(s.SSR, 431, 428) > greatestAU)
	if s.Kind == registers.SDHC || s.Kind == registers.SDXC {
		fixed := bits(s.CSD, 119, 112) == 0x0E && bits(s.CSD, 111, 104) == 0 && bits(s.CSD, 83, 80) == 9 &&
			bits(s.CSD, 79, 77) == 0 && bits(s.CSD, 46, 46) == 1 && bits(s.CSD, 45, 39) == 0x7F && bits(s.CSD, 38, 31) == 0 &&
			bits(s.CSD, 28, 26) == 2 && bits(s.CSD, 25, 22) == 9 && bits(s.CSD, 21, 21) == 0 && bits(s.CSD, 15, 15) == 0 &&
			bits(s.CSD, 11, 10) == 0
		say("fixed fields", !fixed)
	}
}

func classRules(s registers.Set, say func(string, bool)) {
	speed, uhs, video := bits(s.SSR, 447, 440), bits(s.SSR, 399, 396), bits(s.SSR, 391, 384)
	app, specX := bits(s.SSR, 339, 336), bits(s.SCR, 41, 38)
	say("no speed class", s.Kind != registers.SDSC && speed == 0)
	say("uhs without spec3", uhs > 0 && bits(s.SCR, 47, 47) == 0)
	say("u1 without c10", uhs > 0 && speed < 4)
	say("v30 without u3", video >= 30 && uhs < 3)
	say("version of a1", app == 1 && specX < 1)
	say("version of a2", app == 2 && specX < 2)
	say("a2 without queue", app == 2 && (bits(s.SSR, 335, 331) == 0 || bits(s.SSR, 330, 330) == 0))
	say("bus widths", bits(s.SCR, 51, 48)&5 != 5)
}

func reservedRules(s registers.Set, say func(string, bool)) {
	uhsAU := bits(s.SSR, 395, 392)
	say("reserved code", bits(s.SSR, 511, 510)%2 == 1 || bits(s.SSR, 495, 480) > 2 || bits(s.SSR, 447, 440) > 4 ||
		!slices.Contains([]uint64{0, 1, 3}, bits(s.SSR, 399, 396)) || uhsAU > 0 && uhsAU < 7 ||
		!slices.Contains([]uint64{0, 6, 10, 30, 60, 90}, bits(s.SSR, 391, 384)) || bits(s.SSR, 339, 336) > 2 ||
		bits(s.SCR, 63, 60) > 0 || bits(s.SCR, 54, 52) > 4 || bits(s.SCR, 59, 56) > 2)
}

// aDay is after the samples were made.
func aDay() time.Time { return time.Date(2025, 1, 2, 0, 0, 0, 0, time.UTC) }

func TestSamplesBreakNoRule(t *testing.T) {
	kinds := map[registers.Kind]bool{}
	for _, name := range registers.SampleNames() {
		set := sampled(t, name)
		kinds[set.Kind] = true
		if rules := broken(set, aDay()); len(rules) > 0 {
			t.Errorf("%s breaks %q", name, rules)
		}
	}
	for _, kind := range registers.Kinds() {
		if !kinds[kind] {
			t.Errorf("no sample is an %s", kind)
		}
	}
}

// TestSamplesStaySoundInEverySizeOfTheirClass: the bounds are those of 3.3.2 and 5.3.3 of the specification, but the greatest
// sizes of SDHC and SDXC, which are from memory.
func TestSamplesStaySoundInEverySizeOfTheirClass(t *testing.T) {
	for name, sizes := range map[string][]int64{
		"sdsc":    {2048, 1 << 20, 64 << 20, 1_006_632_960, 1 << 30, 2 << 30},
		"sdhc":    {2_156_396_544, 4 << 30, 8_000_110_592, 34_275_852_288},
		"sdxc":    {34_359_738_368, 64 << 30, 2_198_889_037_824},
		"sdxc-a2": {34_359_738_368, 1 << 40},
		"sduc":    {2_199_023_779_840, 128 << 40},
		"emmc":    {2<<30 + 512, 8_000_000_000, 1 << 41},
	} {
		for _, size := range sizes {
			set, err := sampled(t, name).Sized(size)
			if err != nil || set.SizeBytes != size {
				t.Errorf("%s of %d bytes: it is of %d, %v", name, size, set.SizeBytes, err)
				continue
			}
			if rules := broken(set, aDay()); len(rules) > 0 {
				t.Errorf("%s of %d bytes breaks %q", name, size, rules)
			}
		}
	}
}
