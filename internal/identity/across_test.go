package identity_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"cardwright/internal/identity"
)

// sighting is a card of the product of modern, with a serial.
func sighting(serial uint64) identity.Sighting {
	return identity.Sighting{
		CID: with(modern().cid, 55, 24, serial), SizeBytes: 32_000_000_000, AUBytes: 4 << 20,
		Claims: identity.Claims{SpeedClass: 10, UHSGrade: 1},
	}
}

// earlier are cards of the same product that write at these rates in MB/s.
func earlier(megabytesPerSecond ...float64) (cards []identity.Sighting) {
	for i, rate := range megabytesPerSecond {
		card := sighting(0x1000 + uint64(i))
		card.WriteBytesPerSecond = rate * 1e6
		cards = append(cards, card)
	}
	return cards
}

// changed gives a card with something else about it.
func changed(card identity.Sighting, change func(*identity.Sighting)) identity.Sighting {
	change(&card)
	return card
}

func expectAcross(t *testing.T, name string, this identity.Sighting, others []identity.Sighting, want, evidence string) {
	t.Helper()
	findings := identity.AcrossCards(this, others)
	if got := summary(findings); findings == nil || !slices.Equal(got, strings.Fields(want)) {
		t.Errorf("%s: got %q, want %q", name, got, want)
	} else if len(findings) > 0 && !strings.Contains(findings[0].Evidence, evidence) {
		t.Errorf("%s: evidence %q lacks %q", name, findings[0].Evidence, evidence)
	}
}

func TestSameCIDAtSeveralPlaces(t *testing.T) {
	at := func(place string) func(*identity.Sighting) { return func(s *identity.Sighting) { s.Place = place } }
	here := changed(sighting(7), at("bay 1"))
	expectAcross(t, "two", here, []identity.Sighting{changed(sighting(7), at("bay 2"))}, "cid-at-several-places!", "at bay 1, bay 2")
	expectAcross(t, "without its checksum", here, []identity.Sighting{changed(sighting(7), func(s *identity.Sighting) {
		s.Place, s.CID = "bay 2", strings.ToUpper(s.CID[:30])+"57"
	})}, "cid-at-several-places!", "bay 2")
	expectAcross(t, "itself", here, []identity.Sighting{here}, "", "")
	expectAcross(t, "itself in the logbook", here, []identity.Sighting{sighting(7)}, "", "")
	expectAcross(t, "another serial", here, []identity.Sighting{changed(sighting(8), at("bay 2"))}, "", "")
	for _, cid := range []string{"", strings.Repeat("0", 32), strings.Repeat("f", 32), "nonsense"} {
		blank := func(place string) identity.Sighting { return identity.Sighting{CID: cid, Place: place, Label: place} }
		expectAcross(t, "no CID: "+cid, blank("bay 1"), []identity.Sighting{blank("bay 2")}, "", "")
		expectAcross(t, "none of the others: "+cid, here, []identity.Sighting{blank("bay 2")}, "", "")
	}
}

func TestSameCIDWithSeveralLabels(t *testing.T) {
	labelled := func(label string, labels ...string) identity.Sighting {
		return changed(sighting(7), func(s *identity.Sighting) { s.Label, s.Labels = label, labels })
	}
	expectAcross(t, "another sighting", labelled("node-17"), []identity.Sighting{labelled("node-18")},
		"cid-with-several-labels!", "with labels node-17, node-18")
	expectAcross(t, "in the logbook", labelled("node-17", "node-03", "node-17"), nil, "cid-with-several-labels!", "node-03, node-17")
	expectAcross(t, "one label", labelled("node-17", "node-17"), []identity.Sighting{labelled("", "node-17")}, "", "")
	expectAcross(t, "none", labelled(""), []identity.Sighting{labelled("")}, "", "")
	other := changed(sighting(8), func(s *identity.Sighting) { s.Label = "node-18" })
	expectAcross(t, "another serial", labelled("node-17"), []identity.Sighting{other}, "", "")
}

func TestProductDiffers(t *testing.T) {
	for _, c := range []struct {
		code, evidence string
		change, blur   func(*identity.Sighting) // blur makes it unknown
	}{
		{
			"product-differs-in-au", "this card: 4194304 bytes; others: 0 with the same, 1 with 8388608 bytes",
			func(s *identity.Sighting) { s.AUBytes = 8 << 20 }, func(s *identity.Sighting) { s.AUBytes = 0 },
		},
		{
			"product-differs-in-claims", "this card: C10 U1; others: 0 with the same, 1 with C4",
			func(s *identity.Sighting) { s.Claims = identity.Claims{SpeedClass: 4} },
			func(s *identity.Sighting) { s.Claims = identity.Claims{} },
		},
		{
			"product-differs-in-size", "this card: 32000000000 bytes; others: 0 with the same, 1 with 31000000000 bytes",
			func(s *identity.Sighting) { s.SizeBytes = 31_000_000_000 }, func(s *identity.Sighting) { s.SizeBytes = 0 },
		},
	} {
		this, odd := sighting(1), changed(sighting(2), c.change)
		expectAcross(t, c.code, this, []identity.Sighting{odd}, c.code, c.evidence)
		half := []identity.Sighting{odd, sighting(3), changed(sighting(4), c.change)}
		expectAcross(t, c.code+", half of them", this, half, c.code, "1 with the same")
		expectAcross(t, c.code+", one odd card among others", this, []identity.Sighting{odd, sighting(3)}, "", "")
		expectAcross(t, c.code+", the same card twice", this, []identity.Sighting{odd, odd, sighting(3)}, "", "")
		expectAcross(t, c.code+", unknown", this, []identity.Sighting{changed(sighting(2), c.blur)}, "", "")
		expectAcross(t, c.code+", unknown of this", changed(this, c.blur), []identity.Sighting{sighting(2)}, "", "")
		expectAcross(t, c.code+", itself", this, []identity.Sighting{changed(this, c.change)}, "", "")
		revised := changed(odd, func(s *identity.Sighting) { s.CID = with(s.CID, 63, 56, 0x63) })
		expectAcross(t, c.code+", another revision", this, []identity.Sighting{revised}, "", "")
	}
}

// TestProductOfSeveralCapacities: that the name stays while the size differs is told; the unit is compared among like sizes alone.
func TestProductOfSeveralCapacities(t *testing.T) {
	sized := func(sizeBytes int64) []identity.Sighting {
		return []identity.Sighting{changed(sighting(2), func(s *identity.Sighting) { s.SizeBytes, s.AUBytes = sizeBytes, 16<<20 })}
	}
	const size, both = "product-differs-in-size", "product-differs-in-au product-differs-in-size"
	expectAcross(t, "twice the size", sighting(1), sized(64_000_000_000), size, "")
	expectAcross(t, "half the size", sighting(1), sized(16_000_000_000), size, "")
	expectAcross(t, "10 % apart", sighting(1), sized(29_090_909_090), size, "")
	expectAcross(t, "under 10 % apart", sighting(1), sized(29_100_000_000), both, "")
	expectAcross(t, "under 10 % apart, larger", sighting(1), sized(35_500_000_000), both, "")
	exact := changed(sighting(1), func(s *identity.Sighting) { s.SizeBytes = 33_000_000_000 })
	expectAcross(t, "exactly 10 % apart", exact, sized(30_000_000_000), size, "")
	expectAcross(t, "10 % apart, larger", sighting(1), sized(35_600_000_000), size, "")
	expectAcross(t, "of unknown size", sighting(1), sized(0), "", "")
}

// TestRateOutsideProduct is worked by hand from the rule: over 30 % from the median and over 3 x 1.4826 x MAD.
func TestRateOutsideProduct(t *testing.T) {
	this := func(megabytesPerSecond float64) identity.Sighting {
		return changed(sighting(1), func(s *identity.Sighting) { s.WriteBytesPerSecond = megabytesPerSecond * 1e6 })
	}
	const code = "rate-outside-product!"
	for _, c := range []struct {
		rate   float64
		others []identity.Sighting
		want   string
	}{
		{13.9, earlier(18, 19, 20, 21, 22), code}, // median 20, MAD 1: 30 % are 6, 3 spreads 4.4
		{14.1, earlier(18, 19, 20, 21, 22), ""},
		{26.1, earlier(18, 19, 20, 21, 22), code},
		{25.9, earlier(18, 19, 20, 21, 22), ""},
		{8, earlier(10, 12, 20, 28, 30), ""},     // MAD 8: 3 spreads are 35.6
		{4.6, earlier(17, 18, 20, 22, 23), code}, // MAD 2: 3 spreads are 8.9, 30 % are 6
		{11.5, earlier(16, 18, 20, 22, 24), ""},  // the same: 8.5 is within
		{11, earlier(16, 18, 20, 22, 24), code},
		{5, earlier(18, 20, 20, 22, 18, 22), code}, // median of an even number: 20
		{5, earlier(18, 19, 20, 21), ""},           // too few
		{5, earlier(18, 19, 20, 21, 0), ""},        // one without a rate
		{0, earlier(18, 19, 20, 21, 22), ""},       // no rate of its own
	} {
		expectAcross(t, fmt.Sprintf("%g MB/s beside %d", c.rate, len(c.others)), this(c.rate), c.others, c.want, "MB/s; ")
	}
	larger := earlier(18, 19, 20, 21, 22)
	for i := range larger {
		larger[i].SizeBytes *= 2
	}
	expectAcross(t, "another capacity", this(5), larger, "product-differs-in-size", "")
	expectAcross(t, "one card five times", this(5), slices.Repeat(earlier(20), 5), "", "")
}

// TestProduct: an SD card's CID has the serial from byte 9 on, an eMMC's from byte 10 on (Physical Layer Specification 4.10, 5.2;
// JESD84-B51, 7.2).
func TestProduct(t *testing.T) {
	for cid, want := range map[string]string{
		"015041593038414713daa1bff401252e":    "015041593038414713",
		"015041593038414713DAA1BFF401252E":    "015041593038414713",
		"7f01005453543038471a8f2c61d95d00":    "7f01005453543038471a",
		"7f02005453543038471a8f2c61d95d00":    "7f02005453543038471a", // the bounds of what tells the kinds apart
		"7f03005453543038471a8f2c61d95d00":    "7f0300545354303847",
		"7f01005453543038201a8f2c61d95d00":    "7f01005453543038201a",
		"7f010054535430381f1a8f2c61d95d00":    "7f010054535430381f",
		"7f010054535430387f1a8f2c61d95d00":    "7f010054535430387f",
		"00000000000000000000000000000000":    "",
		"ffffffffffffffffffffffffffffffff":    "",
		"015041593038414713daa1bff40125":      "",
		"":                                    "",
		"not hexadecimal digits, but 32 long": "",
	} {
		if got := identity.Product(cid); got != want {
			t.Errorf("%s: got %s, want %s", cid, got, want)
		}
	}
}
