package registers

// capacityForgeries are about how large the card is.
func capacityForgeries() []Forgery {
	return []Forgery{
		{
			"capacity-not-size", "twice the capacity that its device has, or half of it where its class ends there", false, sdKinds(),
			func(s Set) Set { return s.with(change{s.Kind.size(), otherUnits(s)}) },
		},
		{
			"capacity-outside-class", "a capacity that no card of its class has, and a device of this size", false, sdKinds(),
			outsideClass,
		},
		{
			"security-of-another-class", "the security of another class of capacity", false, sdKinds(),
			func(s Set) Set {
				return s.with(change{scrSecurity, map[Kind]uint64{SDSC: 3, SDHC: 4, SDXC: 2, SDUC: 2}[s.Kind]})
			},
		},
		{
			"au-too-large", "allocation units of 64 MiB, too large for its capacity", false,
			[]Kind{SDSC, SDHC},
			tell(change{ssrAU, 15}),
		},
	}
}

// otherUnits is another C_SIZE that a card of the same class may have.
func otherUnits(s Set) uint64 {
	size := s.get(s.Kind.size())
	if _, most := s.Kind.sizes(); size*2+1 < 1<<s.Kind.size().bits() && s.SizeBytes*2 <= most {
		return size*2 + 1
	}
	return size / 2
}

// outsideClass tells a size next to those of the class: above them all, or below where nothing fits above.
func outsideClass(s Set) Set {
	switch s.Kind {
	case SDHC:
		s = s.with(change{csd2Size, 4111})
		s.SizeBytes = 4112 * UnitBytes
	case SDXC:
		s = s.with(change{csd2Size, 0x3FFF00})
		s.SizeBytes = 0x3FFF01 * UnitBytes
	case SDUC:
		s = s.with(change{csd3Size, 0x3FFFFF})
		s.SizeBytes = 0x400000 * UnitBytes
	case SDSC:
		s = s.with(change{csd1Size, 0xFFF}, change{csd1Mult, 7}, change{csdReadBlock, 11}, change{csdWriteBlock, 11})
		s.SizeBytes = 4 << 30
	}
	return s
}

// fixedFieldForgeries give each field that structure 2.0 fixes another value.
func fixedFieldForgeries() (all []Forgery) {
	for _, fixed := range []struct {
		name string
		change
	}{
		{"taac", change{csdAccessTime, 0x26}},
		{"nsac", change{csdAccessClocks, 1}},
		{"read-bl-len", change{csdReadBlock, 10}},
		{"read-bl-partial", change{csdReadPartial, 1}},
		{"write-blk-misalign", change{csdWriteMisalign, 1}},
		{"read-blk-misalign", change{csdReadMisalign, 1}},
		{"erase-blk-en", change{csdEraseBlock, 0}},
		{"sector-size", change{csdEraseSector, 0x1F}},
		{"wp-grp-size", change{csdProtectGroup, 1}},
		{"wp-grp-enable", change{csdProtectGroupEnabled, 1}},
		{"r2w-factor", change{csdWriteFactor, 4}},
		{"write-bl-len", change{csdWriteBlock, 10}},
		{"write-bl-partial", change{csdWritePartial, 1}},
		{"file-format-grp", change{csdFormatGroup, 1}},
		{"file-format", change{csdFileFormat, 1}},
	} {
		all = append(all, Forgery{
			"csd-" + fixed.name, fixed.field.name + " other than structure 2.0 of the CSD fixes it", false,
			[]Kind{SDHC, SDXC},
			tell(fixed.change),
		})
	}
	return all
}

// version is an SCR that claims a version of the specification.
func version(spec, spec3, spec4, specX uint64) []change {
	return []change{{scrSpec, spec}, {scrSpec3, spec3}, {scrSpec4, spec4}, {scrSpecX, specX}}
}

// versionForgeries claim what the version that they claim too does not know.
func versionForgeries() []Forgery {
	old := func(name, what string, kind Kind, claimed []change, more ...change) Forgery {
		return Forgery{name, what, false, []Kind{kind}, tell(append(claimed, more...)...)}
	}
	return []Forgery{
		old("uhs-without-spec3", "version 2.00, and a UHS grade", SDHC, version(2, 0, 0, 0),
			change{ssrSpeedClass, 4}, change{ssrUHSGrade, 1}, change{ssrUHSAU, 9}),
		old("a1-with-old-version", "version 3.0x, and application class A1", SDHC, version(2, 1, 0, 0),
			change{ssrAppClass, 1}),
		old("a2-with-old-version", "version 3.0x, and application class A2", SDHC, version(2, 1, 0, 0),
			change{ssrAppClass, 2}, change{ssrEnhance, 31<<3 | 1<<2}),
		old("sduc-with-old-version", "version 6.x, which knows no SDUC", SDUC, version(2, 1, 1, 2)),
	}
}

// classForgeries claim a class without what belongs to it.
func classForgeries() []Forgery {
	return []Forgery{
		{
			"no-speed-class", "no speed class of any family", false,
			[]Kind{SDHC, SDXC},
			tell(change{ssrSpeedClass, 0}, change{ssrUHSGrade, 0}, change{ssrUHSAU, 0}, change{ssrVideoClass, 0},
				change{ssrVideoAU, 0}, change{ssrAppClass, 0}, change{ssrEnhance, 0}),
		},
		{
			"u1-without-c10", "UHS grade 1, and only Class 4", false,
			[]Kind{SDHC},
			tell(change{ssrSpeedClass, 2}, change{ssrUHSGrade, 1}, change{ssrUHSAU, 9}),
		},
		{
			"v30-without-u3", "video class V30, and only UHS grade 1", false,
			[]Kind{SDXC, SDUC},
			tell(change{ssrVideoClass, 30}, change{ssrUHSGrade, 1}),
		},
		{
			"a2-without-queue", "application class A2, and neither a queue nor a cache", false,
			[]Kind{SDXC, SDUC},
			func(s Set) Set {
				return s.with(change{scrSpecX, max(2, s.get(scrSpecX))}, change{ssrAppClass, 2}, change{ssrEnhance, 0})
			},
		},
		{
			"one-line-bus", "a bus of one line alone, which no card may have", false, sdKinds(),
			tell(change{scrBusWidths, 1}),
		},
	}
}

// reservedForgeries use codes that mean nothing yet.
func reservedForgeries() (all []Forgery) {
	uhs, everySD := []Kind{SDHC, SDXC, SDUC}, sdKinds()
	for _, reserved := range []struct {
		name  string
		kinds []Kind
		change
	}{
		{"bus-width", everySD, change{ssrBusWidth, 3}},
		{"card-type", everySD, change{ssrCardType, 3}},
		{"speed-class", everySD, change{ssrSpeedClass, 5}},
		{"uhs-grade", []Kind{SDHC}, change{ssrUHSGrade, 2}},
		{"uhs-au", uhs, change{ssrUHSAU, 3}},
		{"video-class", []Kind{SDXC, SDUC}, change{ssrVideoClass, 31}},
		{"app-class", []Kind{SDXC, SDUC}, change{ssrAppClass, 3}},
		{"scr-structure", everySD, change{scrStructure, 1}},
		{"security", everySD, change{scrSecurity, 5}},
		{"spec", everySD, change{scrSpec, 3}},
	} {
		all = append(all, Forgery{
			"reserved-" + reserved.name, "a reserved code in " + reserved.field.name, false, reserved.kinds, tell(reserved.change),
		})
	}
	return all
}

// emmcForgeries are about the state of an eMMC.
func emmcForgeries() []Forgery {
	ext := func(name, what string, edit func(*ExtCSD)) Forgery {
		return Forgery{name, what, false, []Kind{EMMC}, func(s Set) Set {
			s = s.Clone()
			edit(&s.ExtCSD)
			return s
		}}
	}
	return []Forgery{
		ext("reserved-life-time", "a reserved code in both estimates of the life time", func(e *ExtCSD) {
			e.LifeTimeA, e.LifeTimeB = 12, 12
		}),
		ext("reserved-pre-eol", "a reserved code in PRE_EOL_INFO", func(e *ExtCSD) { e.PreEOL = 4 }),
	}
}
