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

// TestForgeriesAreSeen lets every invented card of the card lab lie in every way it knows. Where a card shows a lie only beside
// others, it is held against them.
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
			seen := len(contradictionsOf(t, forged)) != 0
			if want := !forgery.Honest && !slices.Contains(acrossCards, forgery.Name); seen != want {
				t.Errorf("%s, %s: seen is %v, want %v: %v", name, forgery.Name, seen, want, contradictionsOf(t, forged))
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
