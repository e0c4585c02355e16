package identity_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	lab "cardwright/internal/cardlab/registers"
	"cardwright/internal/identity"
	"cardwright/partition"
)

// contradictionsOf decodes what a card of the card lab tells and looks for what does not fit together.
func contradictionsOf(t *testing.T, set lab.Set) []partition.Finding {
	t.Helper()
	raw, err := identity.ReadFolder(set.Folder())
	if err != nil {
		t.Fatal(err)
	}
	return identity.Decode(raw).Contradictions(identity.Situation{
		KernelSizeBytes: set.SizeBytes, Today: time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC),
	})
}

// codeOfForgery is the finding that each lie of the card lab must lead to; "" for what a card alone does not show.
func codeOfForgery(f lab.Forgery) string {
	switch {
	case f.Honest:
		return ""
	case f.Name == "reserved-spec":
		return "spec-version-unknown"
	case strings.HasPrefix(f.Name, "reserved-"):
		return "reserved-code"
	case strings.HasPrefix(f.Name, "csd-"):
		return "fixed-field-differs"
	}
	return map[string]string{
		"serial-zero": "serial-blank", "serial-ones": "serial-blank", "serial-in-sequence": "serial-in-sequence",
		"date-in-future": "date-in-future", "date-before-version": "date-before-version",
		"month-zero": "date-month-impossible", "month-13": "date-month-impossible",
		"unprintable-name": "name-not-printable", "unprintable-oem": "oem-not-printable",
		"capacity-not-size": "capacity-differs-from-kernel", "capacity-outside-class": "capacity-outside-class",
		"security-of-another-class": "security-of-other-capacity-class", "au-too-large": "au-too-large",
		"uhs-without-spec3": "uhs-without-version-3", "a1-with-old-version": "class-newer-than-version",
		"a2-with-old-version": "class-newer-than-version", "sduc-with-old-version": "capacity-class-without-version",
		"no-speed-class": "speed-class-missing", "u1-without-c10": "class-without-lower", "v30-without-u3": "class-without-lower",
		"a2-without-queue": "a2-without-queue-and-cache", "one-line-bus": "bus-width-missing",
		"wrong-cid-checksum": "cid-checksum-wrong", "wrong-csd-checksum": "csd-checksum-wrong",
	}[f.Name]
}

// TestForgeriesAreSeen lets every invented card of the card lab lie in every way it knows, and expects each lie to be called what it
// is. Where a card shows one only beside others, it is held against them elsewhere.
func TestForgeriesAreSeen(t *testing.T) {
	acrossCards := []string{"copied-cid", "copied-product"}
	lies := 0
	for _, name := range lab.SampleNames() {
		sound, err := lab.Sample(name)
		if err != nil {
			t.Fatal(err)
		}
		if told := contradictionsOf(t, sound); len(told) != 0 {
			t.Errorf("%s, a sound card: %v", name, told)
		}
		for _, forgery := range lab.Forgeries() {
			if !slices.Contains(forgery.Kinds, sound.Kind) {
				continue
			}
			forged, err := lab.Forge(sound, forgery.Name)
			if err != nil {
				t.Fatalf("%s, %s: %v", name, forgery.Name, err)
			}
			told, code := contradictionsOf(t, forged), codeOfForgery(forgery)
			if code == "" && !forgery.Honest && !slices.Contains(acrossCards, forgery.Name) {
				t.Errorf("%s: this test does not know what it must be called", forgery.Name)
			}
			called := slices.ContainsFunc(told, func(f partition.Finding) bool { return f.Code == code })
			if called != (code != "") || code == "" && len(told) > 0 {
				t.Errorf("%s, %s: want %q, told are %v", name, forgery.Name, code, told)
			}
			lies++
		}
	}
	if lies < 50 {
		t.Errorf("only %d lies were tried", lies)
	}
}

// TestCopiedIdentityIsSeenBesideTheOther has two cards with one CID, at two places and under two labels.
func TestCopiedIdentityIsSeenBesideTheOther(t *testing.T) {
	first, err := lab.Sample("sdhc")
	if err != nil {
		t.Fatal(err)
	}
	second, err := lab.Sample("sdxc")
	if err != nil {
		t.Fatal(err)
	}
	second = lab.CopyCID(second, first)
	sighting := func(set lab.Set, place, label string) identity.Sighting {
		raw, err := identity.ReadFolder(set.Folder())
		if err != nil {
			t.Fatal(err)
		}
		card := identity.Decode(raw)
		return identity.Sighting{CID: card.CID.Raw, SizeBytes: set.SizeBytes, Claims: card.Claims(), Place: place, Label: label}
	}
	var codes []string
	for _, f := range identity.AcrossCards(sighting(first, "mmc0", "attic-01"), []identity.Sighting{sighting(second, "mmc1", "attic-02")}) {
		codes = append(codes, f.Code)
	}
	if want := []string{"cid-at-several-places", "cid-with-several-labels"}; !slices.Equal(codes, want) {
		t.Errorf("told are %s, want %s", strings.Join(codes, ", "), strings.Join(want, ", "))
	}
}
