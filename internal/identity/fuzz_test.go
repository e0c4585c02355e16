package identity_test

import (
	"testing"

	"cardwright/internal/identity"
)

func FuzzParseRated(f *testing.F) {
	for _, seed := range []string{"C10 U1 V30 A1 E150", "U3, v30,A2", "C10 C4", "100MB/s", "C\u00a010", "\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		claims, err := identity.ParseRated(text)
		if err != nil {
			if claims != (identity.Claims{}) {
				t.Errorf("%q: claims %+v beside %v", text, claims, err)
			}
			return
		}
		again, err := identity.ParseRated(claims.String())
		if err != nil || again != claims {
			t.Errorf("%q: claims %q, read again %+v, %v", text, claims, again, err)
		}
	})
}
