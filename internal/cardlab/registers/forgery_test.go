package registers_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/cardlab/registers"
)

// A touch is what a forgery may change: bits of a register.
type touch struct {
	register  string
	high, low int
}

// A lie is what a forgery does to a sound card: which rules it breaks, and what it may touch.
type lie struct {
	rules   []string
	touches []touch
}

// ofKind moves what lies elsewhere in the CID of an eMMC: number and date follow on a name that is one byte longer.
func (l lie) ofKind(kind registers.Kind) (touches []touch) {
	inEMMC := map[touch]touch{
		cid(127, 56): cid(127, 48), cid(55, 24): cid(47, 16), cid(11, 8): cid(15, 12), cid(103, 64): cid(103, 56),
	}
	for _, one := range l.touches {
		if moved, found := inEMMC[one]; found && kind == registers.EMMC {
			one = moved
		}
		touches = append(touches, one)
	}
	return touches
}

func cid(high, low int) touch { return touch{"CID", high, low} }
func csd(high, low int) touch { return touch{"CSD", high, low} }
func scr(high, low int) touch { return touch{"SCR", high, low} }
func ssr(high, low int) touch { return touch{"SSR", high, low} }

// lies are written from what the forgeries say, with the bits of the specification's tables for an SD card.
func lies() map[string]lie {
	breaks := func(rule string, touches ...touch) lie { return lie{strings.Fields(rule), touches} }
	version := []touch{scr(59, 56), scr(47, 47), scr(42, 42), scr(41, 38)}
	all := map[string]lie{
		"copied-cid":                {nil, []touch{cid(127, 0)}},
		"copied-product":            {nil, []touch{cid(127, 56)}},
		"serial-zero":               breaks("serial", cid(55, 24)),
		"serial-ones":               breaks("serial", cid(55, 24)),
		"serial-in-sequence":        breaks("serial", cid(55, 24)),
		"date-in-future":            breaks("future", cid(19, 12)),
		"date-before-version":       {[]string{"before version"}, []touch{cid(19, 8)}},
		"month-zero":                breaks("month", cid(11, 8)),
		"month-13":                  breaks("month", cid(11, 8)),
		"unprintable-name":          breaks("name", cid(103, 64)),
		"unprintable-oem":           breaks("oem", cid(119, 104)),
		"capacity-not-size":         breaks("size", csd(75, 48)),
		"capacity-outside-class":    {[]string{"class of capacity"}, []touch{csd(83, 80), csd(75, 47), csd(25, 22), {"size", 0, 0}}},
		"security-of-another-class": breaks("security", scr(54, 52)),
		"au-too-large":              breaks("au", ssr(431, 428)),
		"uhs-without-spec3":         {[]string{"uhs without spec3"}, append([]touch{ssr(447, 440), ssr(399, 392)}, version...)},
		"a1-with-old-version":       {[]string{"version of a1"}, append([]touch{ssr(339, 336)}, version...)},
		"a2-with-old-version":       {[]string{"version of a2"}, append([]touch{ssr(339, 328)}, version...)},
		"sduc-with-old-version":     {[]string{"version of SDUC"}, version},
		"no-speed-class":            {[]string{"no speed class"}, []touch{ssr(447, 440), ssr(399, 384), ssr(377, 368), ssr(339, 328)}},
		"u1-without-c10":            {[]string{"u1 without c10"}, []touch{ssr(447, 440), ssr(399, 392)}},
		"v30-without-u3":            {[]string{"v30 without u3"}, []touch{ssr(399, 396), ssr(391, 384)}},
		"a2-without-queue":          {[]string{"a2 without queue"}, []touch{ssr(339, 328), scr(41, 38)}},
		"one-line-bus":              {[]string{"bus widths"}, []touch{scr(51, 48)}},
		"reserved-life-time":        {[]string{"life time"}, []touch{{"EXT_CSD", 0, 0}}},
		"reserved-pre-eol":          breaks("pre-EOL", touch{"EXT_CSD", 0, 0}),
		"wrong-cid-checksum":        {[]string{"cid checksum"}, []touch{cid(7, 1)}},
		"wrong-csd-checksum":        {[]string{"csd checksum"}, []touch{csd(7, 1)}},
		"checksum-left-out":         {nil, []touch{cid(7, 0), csd(7, 0)}},
		"end-bit-cleared":           {nil, []touch{cid(0, 0), csd(0, 0)}},
	}
	for name, at := range map[string]touch{
		"taac": csd(119, 112), "nsac": csd(111, 104), "read-bl-len": csd(83, 80), "read-bl-partial": csd(79, 79),
		"write-blk-misalign": csd(78, 78), "read-blk-misalign": csd(77, 77), "erase-blk-en": csd(46, 46), "sector-size": csd(45, 39),
		"wp-grp-size": csd(38, 32), "wp-grp-enable": csd(31, 31), "r2w-factor": csd(28, 26), "write-bl-len": csd(25, 22),
		"write-bl-partial": csd(21, 21), "file-format-grp": csd(15, 15), "file-format": csd(11, 10),
	} {
		all["csd-"+name] = lie{[]string{"fixed fields"}, []touch{at}}
	}
	for name, at := range map[string]touch{
		"bus-width": ssr(511, 510), "card-type": ssr(495, 480), "speed-class": ssr(447, 440), "uhs-grade": ssr(399, 396),
		"uhs-au": ssr(395, 392), "video-class": ssr(391, 384), "app-class": ssr(339, 336), "scr-structure": scr(63, 60),
		"spec": scr(59, 56),
	} {
		all["reserved-"+name] = lie{[]string{"reserved code"}, []touch{at}}
	}
	all["reserved-security"] = lie{[]string{"reserved code", "security"}, []touch{scr(54, 52)}} // it is no class's either
	return all
}

// TestForgeriesTellTheirLieAndNoOther forges every sample.
func TestForgeriesTellTheirLieAndNoOther(t *testing.T) {
	table := lies()
	for _, forgery := range registers.Forgeries() {
		expected, found := table[forgery.Name]
		if !found || forgery.What == "" {
			t.Errorf("%s (%s) has no place in this test", forgery.Name, forgery.What)
			continue
		}
		delete(table, forgery.Name)
		if forgery.Honest && len(expected.rules) > 0 {
			t.Errorf("%s is called honest and breaks %q", forgery.Name, expected.rules)
		}
		forged := 0
		for _, name := range registers.SampleNames() {
			sound := sampled(t, name)
			if !slices.Contains(forgery.Kinds, sound.Kind) {
				continue
			}
			forged++
			before := sound.Clone()
			lying := forgery.Apply(sound)
			if diff := cmp.Diff(before, sound); diff != "" {
				t.Errorf("%s changed the card that it was given: %s", forgery.Name, diff)
			}
			if cmp.Equal(sound, lying) {
				t.Errorf("%s of %s changes nothing", forgery.Name, name)
			}
			if rules := broken(lying, aDay()); !slices.Equal(rules, expected.rules) {
				t.Errorf("%s of %s breaks %q, want %q", forgery.Name, name, rules, expected.rules)
			}
			untouched(t, forgery.Name+" of "+name, sound, lying, expected.ofKind(sound.Kind))
		}
		if forged == 0 {
			t.Errorf("%s: no sample is of its kinds, %q", forgery.Name, forgery.Kinds)
		}
	}
	for name := range table {
		t.Errorf("there is no forgery %s", name)
	}
}

// TestForgeriesFitAnyCard forges cards with any values: nothing else may change there either.
func TestForgeriesFitAnyCard(t *testing.T) {
	const seed = 2
	r := rand.New(rand.NewPCG(seed, seed))
	table := lies()
	for range 10 {
		for _, forgery := range registers.Forgeries() {
			for _, kind := range forgery.Kinds {
				card, _ := registers.Random(r, kind)
				untouched(t, forgery.Name+" of any "+string(kind), card, forgery.Apply(card), table[forgery.Name].ofKind(kind))
			}
		}
	}
}

// untouched compares all that a forgery has no business with. The checksum follows what it covers, and is looked at by the
// rules and by those forgeries that are about it.
func untouched(t *testing.T, name string, before, after registers.Set, touches []touch) {
	t.Helper()
	before, after = before.Clone(), after.Clone()
	for _, one := range touches {
		for _, set := range []*registers.Set{&before, &after} {
			if one.register == "EXT_CSD" {
				set.ExtCSD.PreEOL, set.ExtCSD.LifeTimeA, set.ExtCSD.LifeTimeB = 0, 0, 0
				continue
			}
			if one.register == "size" {
				set.SizeBytes = 0
				continue
			}
			register := map[string][]byte{"CID": set.CID, "CSD": set.CSD, "SCR": set.SCR, "SSR": set.SSR}[one.register]
			for bit := one.low; bit <= one.high; bit++ {
				register[len(register)-1-bit/8] &^= 1 << (bit % 8)
			}
			if len(register) == 16 && one.high > 7 {
				register[15] = 0
			}
		}
	}
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("%s also changes %s", name, diff)
	}
}

func TestForgeriesAreAppliedTogether(t *testing.T) {
	both, err := registers.Forge(sampled(t, "sdxc"), "wrong-cid-checksum", "serial-zero", "v30-without-u3")
	if err != nil {
		t.Fatal(err)
	}
	if got, want := broken(both, aDay()), []string{"cid checksum", "serial", "v30 without u3"}; !slices.Equal(got, want) {
		t.Errorf("broken are %q, want %q", got, want)
	}
	if got, err := registers.Forge(sampled(t, "sdxc")); err != nil || !cmp.Equal(got, sampled(t, "sdxc")) {
		t.Errorf("no forgery: %v, %v", got, err)
	}
}

func TestUnknownNamesAndUnfitCardsAreRefused(t *testing.T) {
	if _, err := registers.Forge(sampled(t, "sdxc"), "serial-zero", "honesty"); !errors.Is(err, registers.ErrName) {
		t.Errorf("an unknown forgery: %v", err)
	}
	if _, err := registers.Forge(sampled(t, "emmc"), "au-too-large"); !errors.Is(err, registers.ErrUnfit) {
		t.Errorf("an allocation unit of an eMMC: %v", err)
	}
	if _, err := registers.Sample("best"); !errors.Is(err, registers.ErrName) {
		t.Errorf("an unknown sample: %v", err)
	}
	for name, size := range map[string]int64{
		"sdsc": 2<<30 + 512, "sdhc": 8_000_000_000, "sdxc": 1 << 30, "sduc": 1 << 40, "emmc": 1 << 30,
	} {
		if _, err := sampled(t, name).Sized(size); !errors.Is(err, registers.ErrSize) {
			t.Errorf("%s of %d bytes: %v", name, size, err)
		}
	}
	if _, err := sampled(t, "sdsc").Sized(1 << 30 / 3 / 4 * 4); !errors.Is(err, registers.ErrSize) {
		t.Errorf("a capacity that structure 1.0 cannot tell: %v", err)
	}
}

// TestACopiedCIDIsTheOtherCards: as on two cards of which one copies the other.
func TestACopiedCIDIsTheOtherCards(t *testing.T) {
	one, other := sampled(t, "sdhc"), sampled(t, "sdxc")
	copied := registers.CopyCID(one, other)
	if !bytes.Equal(copied.CID, other.CID) || !bytes.Equal(copied.CSD, one.CSD) || bytes.Equal(one.CID, other.CID) {
		t.Errorf("%x, %x", copied.CID, copied.CSD)
	}
	first, err := registers.Forge(one, "copied-cid")
	if err != nil {
		t.Fatal(err)
	}
	second, err := registers.Forge(other, "copied-cid")
	if err != nil || !bytes.Equal(first.CID, second.CID) {
		t.Errorf("two forged cards have the CIDs %x and %x, %v", first.CID, second.CID, err)
	}
}
