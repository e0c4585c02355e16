package identity_test

import (
	"encoding/hex"
	"regexp"
	"slices"
	"strings"
	"testing"

	"cardwright/internal/identity"
	"cardwright/partition"
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

// kebab is the form of every finding's code.
var kebab = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

func FuzzContradictions(f *testing.F) {
	var all []byte
	for _, r := range []registers{modern(), realCard} {
		raw, err := hex.DecodeString(r.cid + r.csd + r.scr + r.ssr)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw, false, int64(7744782336), uint8(30))
		all = append(all, raw...)
	}
	f.Add(all[20:], true, int64(0), uint8(0))
	f.Fuzz(func(t *testing.T, registers []byte, emmc bool, kernelSizeBytes int64, videoClass uint8) {
		registers = append(registers, make([]byte, 104)...)
		raw := identity.Raw{
			Kind: identity.KindSD, CID: registers[:16], CSD: registers[16:32], SCR: registers[32:40], SSR: registers[40:104],
		}
		if emmc {
			raw.Kind, raw.SCR, raw.SSR = identity.KindEMMC, nil, nil
			raw.PreEOL, raw.LifeTimeA = &registers[40], &registers[41]
		}
		card := identity.Decode(&raw)
		situation := identity.Situation{
			KernelSizeBytes: kernelSizeBytes, Today: today, Printed: identity.Claims{VideoClass: int(videoClass)},
		}
		findings := card.Contradictions(situation)
		for _, finding := range findings {
			if finding.Severity != partition.Warning && finding.Severity != partition.Information {
				t.Errorf("%+v: another weight than a hint's or a warning's", finding)
			}
			if !kebab.MatchString(finding.Code) || !strings.HasSuffix(finding.Sentence, ".") || finding.Evidence == "" {
				t.Errorf("%+v: code, sentence or evidence", finding)
			}
			if strings.ContainsFunc(finding.Sentence+finding.Evidence, func(r rune) bool { return r < ' ' || r > '~' }) {
				t.Errorf("%+v: what a card says reaches the terminal", finding)
			}
		}
		if again := card.Contradictions(situation); !slices.Equal(findings, again) {
			t.Errorf("%+v, and then %+v", findings, again)
		}
		if claims := card.Claims(); claims.Sentence() == "" || claims.Promises() == nil {
			t.Errorf("%+v: no sentence or promises", claims)
		}
	})
}
