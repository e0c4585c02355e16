package identity_test

import (
	"errors"
	"strings"
	"testing"

	"cardwright/internal/identity"
)

// The marks are those that the SD Association licenses for print; E300 and E450 are from memory.
func TestRatedReadsWhatIsPrinted(t *testing.T) {
	for text, want := range map[string]identity.Claims{
		"":                     {},
		" , ":                  {},
		"C10 U1":               {SpeedClass: 10, UHSGrade: 1},
		"U3 V30 A2":            {UHSGrade: 3, VideoClass: 30, AppClass: 2},
		"c10,u3,  v30 ,a1":     {SpeedClass: 10, UHSGrade: 3, VideoClass: 30, AppClass: 1},
		"A1 V90 U3 C10 E150":   {SpeedClass: 10, UHSGrade: 3, VideoClass: 90, ExpressClass: 150, AppClass: 1},
		"C4 C4":                {SpeedClass: 4},
		"\tV6,C6":              {SpeedClass: 6, VideoClass: 6},
		"E600":                 {ExpressClass: 600},
		"C2 V60 E300 E300, A2": {SpeedClass: 2, VideoClass: 60, ExpressClass: 300, AppClass: 2},
	} {
		got, err := identity.ParseRated(text)
		if err != nil || got != want {
			t.Errorf("%q: got %+v, %v, want %+v", text, got, err, want)
		}
	}
}

func TestRatedReadsWhatClaimsPrint(t *testing.T) {
	for _, p := range promised {
		if got, err := identity.ParseRated(p.claims.String()); err != nil || got != p.claims {
			t.Errorf("%q: got %+v, %v, want %+v", p.claims, got, err, p.claims)
		}
	}
}

func TestRatedRefusesWhatPromisesNothing(t *testing.T) {
	for text, c := range map[string]struct{ named, why string }{
		"C8":                {`"C8"`, "C2 C4 C6 C10 U1 U3 V6 V10 V30 V60 V90 E150 E300 E450 E600 A1 A2"},
		"C10 U2":            {`"U2"`, "not understood"},
		"A3":                {`"A3"`, "not understood"},
		"C010":              {`"C010"`, "not understood"},
		"C":                 {`"C"`, "not understood"},
		"10":                {`"10"`, "not understood"},
		"UHS-I":             {`"UHS-I"`, "not understood"},
		"é10":               {`"É10"`, "not understood"},
		"C10U1":             {`"C10U1"`, "not understood"},
		"64GB":              {`"64GB"`, "not understood"},
		"C10 C4":            {`"C4" beside C10`, "one of the two"},
		"V30 A1 v90":        {`"V90" beside V30`, "one of the two"},
		"100MB/s":           {`"100MB/S"`, "is a maximum, which is no promise"},
		"C10 up to 95 mb/s": {`"95 MB/S"`, "is a maximum, which is no promise"},
		"U3 170MBps":        {`"170MBPS"`, "is a maximum, which is no promise"},
		"1.7 GB / s":        {`"1.7 GB / S"`, "is a maximum, which is no promise"},
	} {
		claims, err := identity.ParseRated(text)
		if !errors.Is(err, identity.ErrRated) {
			t.Errorf("%q: got %+v, %v", text, claims, err)
			continue
		}
		if claims != (identity.Claims{}) {
			t.Errorf("%q: claims %+v beside an error", text, claims)
		}
		for _, told := range []string{c.named, c.why} {
			if !strings.Contains(err.Error(), told) {
				t.Errorf("%q: %q does not tell %q", text, err, told)
			}
		}
	}
}
