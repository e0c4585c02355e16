package registers

import (
	"fmt"
	"slices"
	"strings"
)

// A Forgery makes a card tell something else. What it does not name stays as it was, but for the checksum over it.
type Forgery struct {
	Name   string
	What   string        // what the card tells then
	Honest bool          // it is how a host shows a sound card: there is no lie in it
	Kinds  []Kind        // of cards that it makes sense for
	Apply  func(Set) Set // expects a card of one of these kinds, as Sample and Random give it, and leaves that one alone
}

// Forgeries lists them all. Those of a checksum come last, because they would be undone by another of the same register.
func Forgeries() []Forgery {
	return slices.Concat(identityForgeries(), capacityForgeries(), fixedFieldForgeries(), versionForgeries(), classForgeries(),
		reservedForgeries(), emmcForgeries(), checksumForgeries())
}

// ForgeryNames lists the names of them all.
func ForgeryNames() []string {
	var names []string
	for _, f := range Forgeries() {
		names = append(names, f.Name)
	}
	return names
}

// Forge applies forgeries by their names, in the order of Forgeries. The error is an ErrName, or an ErrUnfit.
func Forge(s Set, names ...string) (Set, error) {
	known := ForgeryNames()
	for _, name := range names {
		if !slices.Contains(known, name) {
			return Set{}, fmt.Errorf("%w: %q is none of the forgeries %s", ErrName, name, strings.Join(known, ", "))
		}
	}
	for _, f := range Forgeries() {
		if !slices.Contains(names, f.Name) {
			continue
		}
		if !slices.Contains(f.Kinds, s.Kind) {
			return Set{}, fmt.Errorf("forgery %s: %w, %s", f.Name, ErrUnfit, s.Kind)
		}
		s = f.Apply(s)
	}
	return s, nil
}

// tell is a forgery that gives fields other values.
func tell(changes ...change) func(Set) Set {
	return func(s Set) Set { return s.with(changes...) }
}

func sdKinds() []Kind { return []Kind{SDSC, SDHC, SDXC, SDUC} }

// identityForgeries are about who the card is.
func identityForgeries() []Forgery {
	serial := func(name string, number uint64, what string) Forgery {
		return Forgery{name, what, false, Kinds(), func(s Set) Set { return s.with(change{s.Kind.serial(), number}) }}
	}
	return []Forgery{
		{
			"copied-cid", "the CID of another card; every card with this forgery has the same", false, Kinds(),
			func(s Set) Set { return CopyCID(s, victim(s.Kind)) },
		},
		{
			"copied-product", "another product's maker, OEM, name and revision; every card with this forgery has the same", false, Kinds(),
			copyProduct,
		},
		serial("serial-zero", 0, "the serial number 0"),
		serial("serial-ones", 0xFFFFFFFF, "the serial number FFFFFFFF"),
		serial("serial-in-sequence", 0x12345678, "the serial number 12345678"),
		{"date-in-future", "the year 2255, the last that can be told", false, sdKinds(), tell(change{cidYear, 255})},
		{
			"date-before-version", "January 2001, before any of the versions that the samples claim", false, sdKinds(),
			tell(change{cidYear, 1}, change{cidMonth, 1}),
		},
		{"month-zero", "a month before January", false, Kinds(), func(s Set) Set { return s.with(change{s.Kind.month(), 0}) }},
		{"month-13", "a month after December", false, Kinds(), func(s Set) Set { return s.with(change{s.Kind.month(), 13}) }},
		{
			"unprintable-name", "a name of the bytes 01, FF, 02 and so on", false, Kinds(),
			func(s Set) Set { return s.with(change{s.Kind.name(), 0x01FF02FE03FD >> (48 - s.Kind.name().bits())}) },
		},
		{"unprintable-oem", "an OEM of two zero bytes", false, sdKinds(), tell(change{cidOEM, 0})},
	}
}

// CopyCID gives a card the CID of another card of its sort, SD or eMMC.
func CopyCID(s, from Set) Set {
	s = s.Clone()
	copy(s.CID, from.CID)
	return s
}

// copyProduct copies all that comes before the serial number and the date, which end where the checksum begins in either layout.
func copyProduct(s Set) Set {
	own := field{inCID, "serial number and date", s.Kind.serial().high, 8}
	return CopyCID(s, victim(s.Kind)).with(change{own, s.get(own)})
}

// victim is the card whose CID is copied.
func victim(k Kind) Set {
	var s Set
	var err error
	if k == EMMC {
		s.CID, err = EMMCCID{
			ManufacturerID: 0x7E, Form: 1, OEM: 'Y', Name: "TESTZZ", Revision: 3, Serial: 0x3D9A70C4, Month: 2, Year: 2022,
		}.Encode()
	} else {
		s.CID, err = CID{
			ManufacturerID: 0x7E, OEM: "YY", Name: "TESTZ", RevisionMajor: 3, Serial: 0x3D9A70C4, Year: 2022, Month: 2,
		}.Encode()
	}
	if err != nil {
		panic(fmt.Sprintf("registers: the copied card does not fit: %v", err))
	}
	return s
}

func (k Kind) serial() field {
	if k == EMMC {
		return emmcSerial
	}
	return cidSerial
}

func (k Kind) month() field {
	if k == EMMC {
		return emmcMonth
	}
	return cidMonth
}

func (k Kind) name() field {
	if k == EMMC {
		return emmcName
	}
	return cidName
}

// checksumForgeries are about the last byte of CID and CSD.
func checksumForgeries() []Forgery {
	wrong := func(checksum field) func(Set) Set {
		return func(s Set) Set {
			s = s.Clone()
			register := s.register(checksum.in)
			checksum.poke(register, ^checksum.peek(register))
			return s
		}
	}
	last := func(edit func(byte) byte) func(Set) Set {
		return func(s Set) Set {
			s = s.Clone()
			s.CID[15], s.CSD[15] = edit(s.CID[15]), edit(s.CSD[15])
			return s
		}
	}
	return []Forgery{
		{"wrong-cid-checksum", "a CID whose checksum is wrong", false, Kinds(), wrong(cidChecksum)},
		{"wrong-csd-checksum", "a CSD whose checksum is wrong", false, Kinds(), wrong(csdChecksum)},
		{
			"checksum-left-out", "CID and CSD as hosts give them that put 0 where the checksum was", true, Kinds(),
			last(func(byte) byte { return 0 }),
		},
		{
			"end-bit-cleared", "CID and CSD as hosts give them that clear the last bit", true, Kinds(),
			last(func(b byte) byte { return b &^ 1 }),
		},
	}
}
