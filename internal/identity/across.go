package identity

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"cardwright/flash"
	"cardwright/partition"
)

// A Sighting is one card as the logbook or this machine knows it. What is 0 or empty is unknown.
type Sighting struct {
	CardID              int64
	Label               string
	Labels              []string // every label that the logbook has ever seen with this CID
	CID                 string   // 32 hex digits
	SizeBytes           int64
	AUBytes             int64
	Claims              Claims
	Place               string  // where it is seated now; "" for a card that is not
	WriteBytesPerSecond float64 // of its latest intact run that judges
}

// AcrossCards holds a card against others: those with its CID, wherever they are seated, and those of its product. Two sightings
// of one CID count as one card, and the first of them tells what that card is like. The result is never nil.
func AcrossCards(this Sighting, others []Sighting) []partition.Finding {
	a := across{this: this, findings: findings{}}
	if !tellsCards(this.CID) {
		return a.findings
	}
	a.sameCID(others)
	a.product = productOf(this, others)
	a.peers = aboutAsLarge(this, a.product)
	a.units()
	a.claims()
	a.sizes()
	a.rates()
	return a.findings
}

// across collects the findings on one card.
type across struct {
	this    Sighting
	product []Sighting // other cards of its maker, OEM, name and revision
	peers   []Sighting // those of them of its capacity
	findings
}

// sameCID looks for the CID in other places and under other labels.
func (a *across) sameCID(others []Sighting) {
	var places, labels []string
	seen := func(s Sighting) {
		places = append(places, s.Place)
		labels = append(append(labels, s.Label), s.Labels...)
	}
	seen(a.this)
	for _, other := range others {
		if tellsCards(other.CID) && identityOf(other.CID) == identityOf(a.this.CID) {
			seen(other)
		}
	}
	if places = distinct(places); len(places) > 1 {
		a.add("cid-at-several-places", partition.Warning,
			"Another card that is seated now has the same identity (CID), which no two cards share.",
			fmt.Sprintf("CID %s at %s", a.this.CID, strings.Join(places, ", ")))
	}
	if labels = distinct(labels); len(labels) > 1 {
		a.add("cid-with-several-labels", partition.Warning,
			"Cards with different labels have this identity (CID): either the card was labelled anew, or another has the same.",
			fmt.Sprintf("CID %s with labels %s", a.this.CID, strings.Join(labels, ", ")))
	}
}

// distinct gives the texts that are not empty, each once, in order.
func distinct(texts []string) []string {
	slices.Sort(texts)
	return slices.DeleteFunc(slices.Compact(texts), func(text string) bool { return text == "" })
}

// productOf gives the other cards of a card's product, each once.
func productOf(this Sighting, others []Sighting) (product []Sighting) {
	met := map[string]bool{identityOf(this.CID): true}
	for _, other := range others {
		if name := Product(other.CID); name == "" || name != Product(this.CID) || met[identityOf(other.CID)] {
			continue
		}
		met[identityOf(other.CID)] = true
		product = append(product, other)
	}
	return product
}

// aboutAsLarge gives the cards whose size is about that of this one: capacities lie far apart, while cards of one capacity differ by
// little where their insides differ.
func aboutAsLarge(this Sighting, product []Sighting) (peers []Sighting) {
	for _, other := range product {
		apartBytes := max(this.SizeBytes-other.SizeBytes, other.SizeBytes-this.SizeBytes)
		if apartBytes < other.SizeBytes/10 { // never where one of them is unknown, which is 0
			peers = append(peers, other)
		}
	}
	return peers
}

func (a *across) units() {
	differing(a, a.peers, "product-differs-in-au", "allocation unit", func(s Sighting) int64 { return s.AUBytes },
		func(auBytes int64) string { return fmt.Sprintf("%d bytes", auBytes) })
}

func (a *across) claims() {
	differing(a, a.peers, "product-differs-in-claims", "claimed classes", func(s Sighting) Claims { return s.Claims }, Claims.String)
}

// sizes: makers give the capacities of a product names of their own, as far as is known (common practice).
func (a *across) sizes() {
	differing(a, a.product, "product-differs-in-size", "size", func(s Sighting) int64 { return s.SizeBytes },
		func(sizeBytes int64) string { return fmt.Sprintf("%d bytes", sizeBytes) })
}

// differing tells where a value of this card differs from that of most others where both are known. It is a hint, as makers
// change a product under its name; a single odd card does not put all the others in doubt.
func differing[V comparable](a *across, others []Sighting, code, word string, of func(Sighting) V, text func(V) string) {
	var unknown V
	mine := of(a.this)
	if mine == unknown {
		return
	}
	alike, unlike := 0, map[V]int{}
	count := 0
	for _, other := range others {
		switch theirs := of(other); theirs {
		case unknown:
		case mine:
			alike++
		default:
			unlike[theirs]++
			count++
		}
	}
	if count <= alike {
		return
	}
	var evidence []string
	for value, cards := range unlike {
		evidence = append(evidence, fmt.Sprintf("%d with %s", cards, text(value)))
	}
	slices.Sort(evidence)
	a.add(code, partition.Information,
		"The card differs in its "+word+" from most cards of the same maker, OEM, name and revision.",
		fmt.Sprintf("this card: %s; others: %d with the same, %s", text(mine), alike, strings.Join(evidence, ", ")))
}

// What makes a write rate stand out. A median of few cards says little, and cards of one product differ by some of themselves.
const (
	ratesNeeded  = 5
	rateSpreads  = 3
	rateDistance = 0.3 // of the median
)

func (a *across) rates() {
	var rates []float64
	for _, peer := range a.peers {
		if peer.WriteBytesPerSecond > 0 {
			rates = append(rates, peer.WriteBytesPerSecond)
		}
	}
	mine := a.this.WriteBytesPerSecond
	if mine <= 0 || len(rates) < ratesNeeded {
		return
	}
	middle, spread := flash.MedianAndSpread(rates)
	if distance := math.Abs(mine - middle); distance <= rateSpreads*spread || distance <= rateDistance*middle {
		return
	}
	a.add("rate-outside-product", partition.Warning,
		"The card writes at quite another rate than the others that say they are the same: the seller may have changed what is inside.",
		fmt.Sprintf("this card %.2f MB/s; %d others: median %.2f MB/s, spread %.2f MB/s",
			mine/bytesPerMB, len(rates), middle/bytesPerMB, spread/bytesPerMB))
}
