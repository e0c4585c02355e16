package identity_test

import (
	"slices"
	"strings"
	"testing"

	"cardwright/internal/identity"
)

// The rates are those that the SD Association and card makers give for the classes (C10 = U1 = V10, C6 = V6,
// U3 = V30; A1 1,500/500 and A2 4,000/2,000 operations, both with 10 MB/s; E150 to E600, of which 300 and 450 are from memory).
var promised = []struct {
	claims    identity.Claims
	text      string
	megabytes float64
	marks     string
	sentence  string
}{
	{identity.Claims{}, "", 0, "", "claims no speed class"},
	{identity.Claims{SpeedClass: 2}, "C2", 2, "C2", "claims at least 2 MB/s sequential write (C2)"},
	{identity.Claims{SpeedClass: 4}, "C4", 4, "C4", "claims at least 4 MB/s sequential write (C4)"},
	{identity.Claims{SpeedClass: 6, VideoClass: 6}, "C6 V6", 6, "C6, V6", "claims at least 6 MB/s sequential write (C6, V6)"},
	{
		identity.Claims{SpeedClass: 10, UHSGrade: 1, VideoClass: 10},
		"C10 U1 V10", 10, "C10, U1, V10", "claims at least 10 MB/s sequential write (C10, U1, V10)",
	},
	{
		identity.Claims{SpeedClass: 10, UHSGrade: 3, VideoClass: 30, AppClass: 1},
		"C10 U3 V30 A1", 30, "U3, V30",
		"claims at least 30 MB/s sequential write (U3, V30) and 1,500/500 random 4 KiB read/write operations per second (A1)",
	},
	{
		identity.Claims{SpeedClass: 10, UHSGrade: 3, VideoClass: 60},
		"C10 U3 V60", 60, "V60", "claims at least 60 MB/s sequential write (V60)",
	},
	{identity.Claims{VideoClass: 90}, "V90", 90, "V90", "claims at least 90 MB/s sequential write (V90)"},
	{
		identity.Claims{SpeedClass: 4, AppClass: 2},
		"C4 A2", 10, "A2",
		"claims at least 10 MB/s sequential write (A2) and 4,000/2,000 random 4 KiB read/write operations per second (A2)",
	},
	{
		identity.Claims{SpeedClass: 10, UHSGrade: 1, AppClass: 1},
		"C10 U1 A1", 10, "C10, U1",
		"claims at least 10 MB/s sequential write (C10, U1) and 1,500/500 random 4 KiB read/write operations per second (A1)",
	},
	{identity.Claims{ExpressClass: 150}, "E150", 150, "E150", "claims at least 150 MB/s sequential write (E150)"},
	{
		identity.Claims{VideoClass: 90, ExpressClass: 600},
		"V90 E600", 600, "E600", "claims at least 600 MB/s sequential write (E600)",
	},
}

func TestClaimsSayTheHighestMinimumAndEqualPromisesOnce(t *testing.T) {
	for _, p := range promised {
		if got := p.claims.String(); got != p.text {
			t.Errorf("%+v: marks %q, want %q", p.claims, got, p.text)
		}
		if got := p.claims.WriteBytesPerSecond(); got != p.megabytes*1e6 {
			t.Errorf("%s: %g bytes/s, want %g MB/s", p.text, got, p.megabytes)
		}
		if got := p.claims.Marks(); got != p.marks {
			t.Errorf("%s: %q give the minimum, want %q", p.text, got, p.marks)
		}
		if got := p.claims.Sentence(); got != p.sentence {
			t.Errorf("%s:\n got %q\nwant %q", p.text, got, p.sentence)
		}
	}
}

func TestPromisesTellTheSameAsTheSentence(t *testing.T) {
	for _, p := range promised {
		promises := p.claims.Promises()
		if promises == nil {
			t.Errorf("%s: nil, which JSON writes as null", p.text)
		}
		for _, promise := range promises {
			switch promise.Kind {
			case "sequential_write":
				if promise.AtLeast != p.megabytes*1e6 || strings.Join(promise.Marks, ", ") != p.marks || promise.Unit != "bytes_per_s" {
					t.Errorf("%s: promise %+v", p.text, promise)
				}
			case "random_read", "random_write":
				want := map[string][2]float64{"A1": {1500, 500}, "A2": {4000, 2000}}[strings.Join(promise.Marks, "")]
				if !slices.Contains(want[:], promise.AtLeast) || promise.AtLeast == 0 || promise.Unit != "operations_per_s" {
					t.Errorf("%s: promise %+v", p.text, promise)
				}
			default:
				t.Errorf("%s: a promise of kind %q", p.text, promise.Kind)
			}
		}
		want := 0
		if p.megabytes > 0 {
			want++
		}
		if p.claims.AppClass != 0 {
			want += 2
		}
		if len(promises) != want {
			t.Errorf("%s: %d promises, want %d", p.text, len(promises), want)
		}
	}
}

// TestLimitsSayWhatIsNotPromised follows the SD Association: the grades are measured by whole allocation units, A2 counts
// with queue and cache alone, V60 and V90 need UHS-II.
func TestLimitsSayWhatIsNotPromised(t *testing.T) {
	const maximum, units, queue = "maximum rate printed", "whole allocation units", "command queue and cache"
	const fast, express = "UHS-II", "SD Express"
	all := []string{maximum, units, queue, fast, express}
	for rating, told := range map[string][]string{
		"":           {maximum},
		"C10":        {maximum, units},
		"C10 U1 A1":  {maximum, units},
		"A1":         {maximum},
		"U3 V30 A2":  {maximum, units, queue},
		"U3 V60":     {maximum, units, fast},
		"V90":        {maximum, units, fast},
		"E150":       {maximum, units, express},
		"C10 U3 V30": {maximum, units},
	} {
		claims, err := identity.ParseRated(rating)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.Join(claims.Limits(), "\n")
		for _, limit := range all {
			if got, want := strings.Contains(text, limit), slices.Contains(told, limit); got != want {
				t.Errorf("%q: %q told: %v, want %v", rating, limit, got, want)
			}
		}
	}
	claims := identity.Claims{SpeedClass: 10}
	if text := strings.Join(claims.Limits(), " "); !strings.Contains(text, "nothing of small random writes") {
		t.Errorf("C10 is not said to tell nothing of small random writes: %q", text)
	}
}

func TestClaimsAreThoseOfTheStatusRegister(t *testing.T) {
	card := &identity.Card{SSR: &identity.SSR{SpeedClass: 10, UHSGrade: 3, VideoClass: 30, AppClass: 2, AUBytes: 4 << 20}}
	if got, want := card.Claims(), (identity.Claims{SpeedClass: 10, UHSGrade: 3, VideoClass: 30, AppClass: 2}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got := (&identity.Card{}).Claims(); got != (identity.Claims{}) {
		t.Errorf("a card without a status register claims %+v", got)
	}
}
