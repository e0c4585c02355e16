package identity_test

import (
	"testing"

	"cardwright/internal/identity"
)

// bare is the modern card without its status, so that the classes do not speak where the version or the size is changed.
func bare() registers {
	r := modern()
	r.ssr = ""
	return r
}

func csdAlone(high, low int, value uint64) func(*registers, *identity.Situation) {
	return only(registers{csd: with(modern().csd, high, low, value)})
}

// TestVersions follows Physical Layer Specification 4.10, 3.3.2 and 5.6: SDHC is from 2.00 on; that SDXC is from 3.00
// and SDUC from 7.0 on is from memory.
func TestVersions(t *testing.T) {
	const sdhc, sduc = 0x3fff, "800e00325b59004000007f800a400000"
	card := func(csd, scr string) func(*registers, *identity.Situation) {
		return only(registers{csd: csd, scr: scr})
	}
	small := with(modern().csd, 69, 48, sdhc)
	runRules(t, []ruleCase{
		{"SD_SPEC 3", all(only(bare()), scr(59, 56, 3)), "spec-version-unknown", "SD_SPEC 0x3, SD_SPEC3 0x1, SD_SPEC4 0x1"},
		{"SD_SPECX 5", all(only(bare()), scr(41, 38, 5)), "spec-version-unknown", "SD_SPECX 0x5"},
		{"SD_SPECX 3", all(only(bare()), scr(41, 38, 3)), "", ""},
		{"SD_SPEC3 beside SD_SPEC 1", all(only(bare()), scr(59, 56, 1)), "spec-version-contradictory!", "SD_SPEC 0x1, SD_SPEC3 0x1"},
		{"SD_SPEC4 without SD_SPEC3", all(only(bare()), scr(47, 47, 0)), "spec-version-contradictory!", "SD_SPEC3 0x0, SD_SPEC4 0x1"},
		{"5.x without SD_SPEC4", all(only(bare()), scr(42, 38, 1)), "", ""},
		{"SDHC of 1.10", card(small, "0105000000000000"), "capacity-class-without-version!", "C_SIZE 0x3fff, SD_SPEC 0x1"},
		{"SDHC of 2.00", card(small, "0205000000000000"), "", ""},
		{"SDXC of 2.00", card(modern().csd, "0205000000000000"), "capacity-class-without-version!", "SD_SPEC3 0x0"},
		{"SDXC of 3.0x", card(modern().csd, "0205800000000000"), "", ""},
		{"SDUC of 6.x", card(sduc, "0205808000000000"), "capacity-class-without-version!", "CSD_STRUCTURE 0x2, C_SIZE 0x400000"},
		{"SDUC of 7.x", card(sduc, "020580c000000000"), "", ""},
		{"SDSC of 1.0", card("002600325b598389c001cfff9240006d", "0005000000000000"), "", ""},
	})
}

// TestCapacities follows Physical Layer Specification 4.10, 3.3.2 and 5.3.3; that SDHC ends at FF5Fh and SDXC at 3FFEFFh is from
// memory, so sizes beyond are but a hint.
func TestCapacities(t *testing.T) {
	const outside = "capacity-outside-class"
	v1 := func(length, mult uint64) func(*registers, *identity.Situation) {
		csd := with(with("002600325b5a83ffc003cfff92800053", 83, 80, length), 49, 47, mult)
		return only(registers{csd: csd})
	}
	v3 := func(size uint64) func(*registers, *identity.Situation) {
		return only(registers{csd: with("800e00325b59004000007f800a4000b5", 75, 48, size)})
	}
	runRules(t, []ruleCase{
		{"under SDHC", csdAlone(69, 48, 0x100f), outside + "!", "CSD_STRUCTURE 0x1, C_SIZE 0x100f, 2155872256 bytes"},
		{"least SDHC", csdAlone(69, 48, 0x1010), "", ""},
		{"most SDHC", csdAlone(69, 48, 0xff5f), "", ""},
		{"over SDHC", csdAlone(69, 48, 0xff60), outside, "C_SIZE 0xff60"},
		{"under SDXC", csdAlone(69, 48, 0xfffe), outside, "C_SIZE 0xfffe"},
		{"least SDXC", csdAlone(69, 48, 0xffff), "", ""},
		{"most SDXC", csdAlone(69, 48, 0x3ffeff), "", ""},
		{"over SDXC", csdAlone(69, 48, 0x3fff00), outside, "C_SIZE 0x3fff00"},
		{"under SDUC", v3(0x3fffff), outside + "!", "CSD_STRUCTURE 0x2, C_SIZE 0x3fffff"},
		{"least SDUC", v3(0x400000), "", ""},
		{"most SDUC", v3(0xfffffff), "", ""},
		{"2 GiB of SDSC", v1(10, 7), "", ""},
		{"4 GiB of SDSC", v1(11, 7), outside + "!", "4294967296 bytes"},
		{"block length 256", v1(8, 7), "block-length-impossible!", "READ_BL_LEN 0x8"},
		{"block length 2048", v1(11, 6), "", ""},
		{"block length 4096", v1(12, 6), "block-length-impossible!", "READ_BL_LEN 0xc"},
	})
}

// TestCapacityAgainstKernel: the kernel takes a card's size from the CSD, (C_SIZE+1) x 1024 sectors.
func TestCapacityAgainstKernel(t *testing.T) {
	const sizeBytes = 121384 << 19
	kernel := func(sizeBytes int64) func(*registers, *identity.Situation) {
		return func(_ *registers, s *identity.Situation) { s.KernelSizeBytes = sizeBytes }
	}
	runRules(t, []ruleCase{
		{"equal", kernel(sizeBytes), "", ""},
		{"one sector more", kernel(sizeBytes + 512), "capacity-differs-from-kernel!", "bytes; the kernel's size is 63640175104 bytes"},
		{"one sector less", kernel(sizeBytes - 512), "capacity-differs-from-kernel", "the kernel's size is 63640174080 bytes"},
		{"unknown", kernel(0), "", ""},
	})
}

// TestFixedFields follows Physical Layer Specification 4.10, 5.3.3, pages 123 and 124; that structure 3.0 keeps them is from
// memory.
func TestFixedFields(t *testing.T) {
	for _, f := range []struct {
		name         string
		high, low    int
		value, other uint64
	}{
		{"TAAC", 119, 112, 0x0e, 0x26},
		{"NSAC", 111, 104, 0, 1},
		{"READ_BL_LEN", 83, 80, 9, 10},
		{"READ_BL_PARTIAL", 79, 79, 0, 1},
		{"WRITE_BLK_MISALIGN", 78, 78, 0, 1},
		{"READ_BLK_MISALIGN", 77, 77, 0, 1},
		{"ERASE_BLK_EN", 46, 46, 1, 0},
		{"SECTOR_SIZE", 45, 39, 0x7f, 0x1f},
		{"WP_GRP_SIZE", 38, 32, 0, 1},
		{"WP_GRP_ENABLE", 31, 31, 0, 1},
		{"R2W_FACTOR", 28, 26, 2, 5},
		{"WRITE_BL_LEN", 25, 22, 9, 10},
		{"WRITE_BL_PARTIAL", 21, 21, 0, 1},
		{"FILE_FORMAT_GRP", 15, 15, 0, 1},
		{"FILE_FORMAT", 11, 10, 0, 1},
	} {
		runRules(t, []ruleCase{
			{f.name, csd(f.high, f.low, f.other), "fixed-field-differs!", f.name + " 0x"},
			{f.name + " as fixed", csd(f.high, f.low, f.value), "", ""},
			{
				f.name + " of SDUC", only(registers{csd: with("800e00325b59004000007f800a4000b5", f.high, f.low, f.other)}),
				"fixed-field-differs!", f.name + " 0x",
			},
		})
	}
	runRules(t, []ruleCase{
		{
			"two of them", all(csd(119, 112, 0x26), csd(111, 104, 1)),
			"fixed-field-differs!", "TAAC 0x26 in place of 0xe, NSAC 0x1 in place of 0x0",
		},
		{"TRAN_SPEED of another bus mode", csd(103, 96, 0x2b), "", ""},
		{"DSR_IMP", csd(76, 76, 1), "", ""},
		{"COPY and both write protections", csd(14, 12, 7), "", ""},
		{"CCC with all classes", csd(95, 84, 0xfff), "", ""},
		{"TAAC of structure 1.0", only(registers{csd: with("002600325b598389c001cfff9240006d", 119, 112, 0x7f)}), "", ""},
	})
}

// TestSecurity follows Physical Layer Specification 4.10, table 5-20.
func TestSecurity(t *testing.T) {
	const code = "security-of-other-capacity-class!"
	sdhc := csd(69, 48, 0x3fff)
	sdsc := all(only(registers{csd: "002600325b598389c001cfff9240006d", scr: modern().scr}))
	runRules(t, []ruleCase{
		{"SDXC with SDSC's", scr(54, 52, 2), code, "SD_SECURITY 0x2"},
		{"SDXC with SDHC's", scr(54, 52, 3), code, "SD_SECURITY 0x3"},
		{"SDXC with its own", scr(54, 52, 4), "", ""},
		{"SDXC without", scr(54, 52, 0), "", ""},
		{"SDXC with the code that is not used", scr(54, 52, 1), "", ""},
		{"SDHC with SDXC's", sdhc, code, "SD_SECURITY 0x4"},
		{"SDHC with its own", all(sdhc, scr(54, 52, 3)), "", ""},
		{"SDSC with SDHC's", all(sdsc, scr(54, 52, 3)), code, "SD_SECURITY 0x3"},
		{"SDSC with its own", all(sdsc, scr(54, 52, 2)), "", ""},
		{
			"a size of no class", all(only(registers{csd: with(modern().csd, 69, 48, 0xff60), scr: modern().scr}), scr(54, 52, 2)),
			"capacity-outside-class", "C_SIZE 0xff60",
		},
	})
}
