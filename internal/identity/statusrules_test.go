package identity_test

import (
	"testing"

	"cardwright/internal/identity"
)

// classes sets the codes of the SD status that tell the classes.
func classes(speed, uhs, video, app uint64) func(*registers, *identity.Situation) {
	return all(ssr(447, 440, speed), ssr(399, 396, uhs), ssr(391, 384, video), ssr(339, 336, app))
}

// TestReservedCodes follows Physical Layer Specification 4.10, 4.10.2, 5.3.1 and 5.6, where a higher code of SPEED_CLASS is said
// to stand for a class to come. The codes of the video and application classes are from later ones, the former from memory.
func TestReservedCodes(t *testing.T) {
	runRules(t, []ruleCase{
		{"CSD_STRUCTURE 3", only(registers{csd: with(modern().csd, 127, 126, 3)}), "reserved-code", "CSD_STRUCTURE 0x3"},
		{"SCR_STRUCTURE 1", scr(63, 60, 1), "reserved-code", "SCR_STRUCTURE 0x1"},
		{"SD_SECURITY 5", scr(54, 52, 5), "reserved-code", "SD_SECURITY 0x5"},
		{"SD_BUS_WIDTHS with another", scr(51, 48, 0b0111), "reserved-code", "SD_BUS_WIDTHS 0x7"},
		{"DAT_BUS_WIDTH 1", ssr(511, 510, 1), "reserved-code", "DAT_BUS_WIDTH 0x1"},
		{"DAT_BUS_WIDTH 0", ssr(511, 510, 0), "", ""},
		{"SD_CARD_TYPE 3", ssr(495, 480, 3), "reserved-code", "SD_CARD_TYPE 0x3"},
		{"SD_CARD_TYPE 2", ssr(495, 480, 2), "", ""},
		{"SPEED_CLASS 5", ssr(447, 440, 5), "reserved-code", "SPEED_CLASS 0x5"},
		{"UHS_SPEED_GRADE 2", ssr(399, 396, 2), "reserved-code", "UHS_SPEED_GRADE 0x2"},
		{"UHS_AU_SIZE 6", ssr(395, 392, 6), "reserved-code", "UHS_AU_SIZE 0x6"},
		{"UHS_AU_SIZE 7", ssr(395, 392, 7), "", ""},
		{"UHS_AU_SIZE 15", ssr(395, 392, 15), "", ""},
		{"VIDEO_SPEED_CLASS 31", ssr(391, 384, 31), "reserved-code", "VIDEO_SPEED_CLASS 0x1f"},
		{"VIDEO_SPEED_CLASS 90", ssr(391, 384, 90), "", ""},
		{"APP_PERF_CLASS 3", ssr(339, 336, 3), "reserved-code", "APP_PERF_CLASS 0x3"},
		{"APP_PERF_CLASS 1", ssr(339, 336, 1), "", ""},
		{"two of them", all(ssr(447, 440, 255), ssr(399, 396, 15)), "reserved-code reserved-code", "SPEED_CLASS 0xff"},
	})
}

// TestUnits follows Physical Layer Specification 4.10, table 4-47 (codes of AU_SIZE: 6 is 512 KiB, 9 is 4 MiB, 15 is 64 MiB).
func TestUnits(t *testing.T) {
	card := func(csd string, code uint64) func(*registers, *identity.Situation) {
		return only(registers{csd: csd, ssr: with(with(realCard.ssr, 431, 428, code), 447, 440, 1)})
	}
	v1 := func(mult, size uint64) string { // blocks of 512 bytes
		return with(with("002600325b5983ffc003cfff92400051", 73, 62, size), 49, 47, mult)
	}
	sdhc := with(modern().csd, 69, 48, 0xff5f)
	runRules(t, []ruleCase{
		{"64 MiB, 512 KiB", card(v1(3, 4095), 6), "", ""},
		{"64 MiB, 1 MiB", card(v1(3, 4095), 7), "au-too-large!", "AU_SIZE 0x7, capacity 67108864 bytes"},
		{"over 64 MiB, 1 MiB", card(v1(4, 2048), 7), "", ""},
		{"256 MiB, 2 MiB", card(v1(5, 4095), 8), "au-too-large!", "AU_SIZE 0x8"},
		{"over 256 MiB, 2 MiB", card(v1(6, 2048), 8), "", ""},
		{"512 MiB, 4 MiB", card(v1(6, 4095), 9), "au-too-large!", "AU_SIZE 0x9"},
		{"over 512 MiB, 4 MiB", card(v1(7, 2048), 9), "", ""},
		{"1 GiB, 8 MiB", card(v1(7, 4095), 10), "au-too-large!", "AU_SIZE 0xa"},
		{"SDHC, 4 MiB", card(sdhc, 9), "", ""},
		{"SDHC, 8 MiB", card(sdhc, 10), "au-too-large!", "AU_SIZE 0xa"},
		{"SDXC, 64 MiB", card(modern().csd, 15), "", ""},
		{"without a CSD, 64 MiB", card("", 15), "", ""},
	})
}

// TestSpeedClassIsThere: an SDHC or larger card has a speed class (notes on Physical Layer Specification 4.10, 3.4).
func TestSpeedClassIsThere(t *testing.T) {
	const code = "speed-class-missing!"
	none := classes(0, 0, 0, 0)
	runRules(t, []ruleCase{
		{"SDXC without", none, code, "SPEED_CLASS 0x0"},
		{"SDHC without", all(only(registers{csd: realCard.csd, ssr: modern().ssr}), none), code, "SPEED_CLASS 0x0"},
		{
			"SDUC without", all(only(registers{csd: "800e00325b59004000007f800a4000b5", ssr: modern().ssr}), none),
			code, "SPEED_CLASS 0x0",
		},
		{"SDXC with Class 2", classes(1, 0, 0, 0), "", ""},
		{
			"SDSC without", all(only(registers{csd: "002600325b598389c001cfff9240006d", ssr: modern().ssr}), none, ssr(431, 428, 6)),
			"", "",
		},
		{"without a CSD", all(only(registers{ssr: modern().ssr}), none), "", ""},
	})
}

// TestBusAndUHS follows Physical Layer Specification 4.10: 5.6 for the bus widths, 3.9 for UHS, which came with 3.00.
func TestBusAndUHS(t *testing.T) {
	const old = "0235000000000000"
	card := func(scr string, grade, unit uint64) func(*registers, *identity.Situation) {
		return all(only(registers{csd: realCard.csd, scr: scr, ssr: realCard.ssr}), classes(4, grade, 0, 0), ssr(395, 392, unit))
	}
	runRules(t, []ruleCase{
		{"1 bit alone", scr(51, 48, 1), "bus-width-missing!", "SD_BUS_WIDTHS 0x1"},
		{"4 bits alone", scr(51, 48, 4), "bus-width-missing!", "SD_BUS_WIDTHS 0x4"},
		{"U1 of 2.00", card(old, 1, 0), "uhs-without-version-3!", "UHS_SPEED_GRADE 0x1, UHS_AU_SIZE 0x0, SD_SPEC 0x2, SD_SPEC3 0x0"},
		{"UHS's unit of 2.00", card(old, 0, 9), "uhs-without-version-3!", "UHS_AU_SIZE 0x9"},
		{"neither of 2.00", card(old, 0, 0), "", ""},
		{"U1 of 3.0x", card("0235800000000000", 1, 9), "", ""},
		{"U1, no SCR", card("", 1, 9), "", ""},
	})
}

// TestClassesBesideOneAnother: what the classes promise is given by the SD Association (U1, V10, A1 and A2 10 MB/s, U3 and
// V30 30). That Class 10 needs High Speed is Physical Layer Specification 4.10, 4.13; that bit 10 of CCC tells it is from memory.
func TestClassesBesideOneAnother(t *testing.T) {
	const lower = "class-without-lower!"
	slow := csd(94, 94, 0) // bit 10 of CCC
	runRules(t, []ruleCase{
		{"U1 and C6", classes(3, 1, 0, 0), lower, "SPEED_CLASS 0x3, UHS_SPEED_GRADE 0x1"},
		{"U1 and C10", classes(4, 1, 0, 0), "", ""},
		{"V10 and C6", classes(3, 0, 10, 0), lower, "VIDEO_SPEED_CLASS 0xa"},
		{"V10 and C10", classes(4, 0, 10, 0), "", ""},
		{"V6 and C4", classes(2, 0, 6, 0), lower, "VIDEO_SPEED_CLASS 0x6"},
		{"V6 and C6", classes(3, 0, 6, 0), "", ""},
		{"A1 and C6", classes(3, 0, 0, 1), lower, "APP_PERF_CLASS 0x1"},
		{"A1 and C10", classes(4, 0, 0, 1), "", ""},
		{"V30 and U1", classes(4, 1, 30, 0), lower, "UHS_SPEED_GRADE 0x1, VIDEO_SPEED_CLASS 0x1e"},
		{"V30 and U3", classes(4, 3, 30, 0), "", ""},
		{"V90 without a grade", classes(4, 0, 90, 0), lower, "UHS_SPEED_GRADE 0x0"},
		{"V30 and a grade to come", classes(4, 4, 30, 0), "reserved-code", "UHS_SPEED_GRADE 0x4"},
		{"U1 and a class to come", classes(5, 1, 0, 0), "reserved-code", "SPEED_CLASS 0x5"},
		{"C10 that cannot switch", all(classes(4, 0, 0, 0), slow), "class-without-high-speed!", "CCC 0x1b5, SPEED_CLASS 0x4"},
		{"C10 without a CSD", all(only(registers{ssr: modern().ssr}), classes(4, 0, 0, 0)), "", ""},
		{"C6 that cannot switch", all(classes(3, 0, 0, 0), slow), "", ""},
	})
}

// TestClassVersions: A1 is of 5.1 and A2 of 6.0, by the SD Association; that the video classes are of 5.0 is from memory, and so
// are the bits of PERFORMANCE_ENHANCE.
func TestClassVersions(t *testing.T) {
	const code = "class-newer-than-version"
	v4, v5, later := scr(41, 38, 0), scr(41, 38, 1), scr(41, 38, 5)
	runRules(t, []ruleCase{
		{"A1 of 4.xx", all(classes(4, 3, 0, 1), v4), code + "!", "APP_PERF_CLASS 0x1, SD_SPEC 0x2, SD_SPEC3 0x1"},
		{"A1 of 5.x", all(classes(4, 3, 0, 1), v5), "", ""},
		{"A2 of 5.x", all(classes(4, 3, 0, 2), v5), code + "!", "APP_PERF_CLASS 0x2"},
		{"A2 of 6.x", classes(4, 3, 0, 2), "", ""},
		{"A2 of a later one", all(classes(4, 3, 0, 2), later), "spec-version-unknown", "SD_SPECX 0x5"},
		{"V30 of 4.xx", all(classes(4, 3, 30, 0), v4), code, "VIDEO_SPEED_CLASS 0x1e"},
		{"V30 of 5.x", all(classes(4, 3, 30, 0), v5), "", ""},
		{"U3 of 4.xx", all(classes(4, 3, 0, 0), v4), "", ""},
		{"A2 without a cache", ssr(335, 328, 0xf8), "a2-without-queue-and-cache!", "APP_PERF_CLASS 0x2, PERFORMANCE_ENHANCE 0xf8"},
		{"A2 without a queue", ssr(335, 328, 0x07), "a2-without-queue-and-cache!", "PERFORMANCE_ENHANCE 0x7"},
		{"A2 with the least of both", ssr(335, 328, 0x0c), "", ""},
		{"A1 with neither", all(classes(4, 3, 0, 1), ssr(335, 328, 0)), "", ""},
	})
}

func TestPrint(t *testing.T) {
	const code = "print-promises-more!"
	printed := func(text string) func(*registers, *identity.Situation) {
		return func(_ *registers, s *identity.Situation) {
			claims, err := identity.ParseRated(text)
			if err != nil {
				t.Fatal(err)
			}
			s.Printed = claims
		}
	}
	runRules(t, []ruleCase{
		{"V60 on V30", printed("C10 U3 V60 A2"), code, "printed C10 U3 V60 A2; registers C10 U3 V30 A2"},
		{"C10 on C4", all(classes(2, 0, 0, 0), printed("C10")), code, "printed C10; registers C4"},
		{"U3 on C10", all(classes(4, 0, 0, 0), printed("U3")), code, "printed U3; registers C10"},
		{"A1 on none", all(classes(4, 1, 0, 0), printed("C10 A1")), code, "printed C10 A1; registers C10 U1"},
		{"A2 on A1", all(classes(4, 3, 0, 1), printed("A2")), code, "printed A2; registers C10 U3 A1"},
		{
			"C4 on a card without classes", all(only(registers{ssr: modern().ssr}), classes(0, 0, 0, 0), printed("C4")),
			code, "printed C4; registers no class",
		},
		{"the same", printed("C10 U3 V30 A2"), "", ""},
		{"V30 on U3", all(classes(4, 3, 0, 0), printed("V30")), "", ""},
		{"U1 V10 on C10", all(classes(4, 0, 0, 0), printed("U1 V10")), "", ""},
		{"less", printed("C4 A1"), "", ""},
		{"E150, which no register here tells", printed("C10 U3 V30 E150"), "", ""},
		{"more than a class to come", all(classes(5, 0, 0, 0), printed("C10")), "reserved-code", "SPEED_CLASS 0x5"},
		{"A2 on an application class to come", all(classes(4, 3, 30, 3), printed("A2")), "reserved-code", "APP_PERF_CLASS 0x3"},
		{"no status", all(only(bare()), printed("V90 A2")), "", ""},
	})
}
