package identity_test

import (
	"encoding/hex"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/internal/identity"
	"cardwright/partition"
)

// registers are a card's registers in hex, as the kernel prints them; "" is not there.
type registers struct{ cid, csd, scr, ssr string }

// today is the date of all situations that have one.
var today = time.Date(2026, time.November, 26, 8, 0, 0, 0, time.UTC)

func fromHex(t *testing.T, text string) []byte {
	t.Helper()
	raw, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	if len(raw) == 0 {
		return nil
	}
	return raw
}

func (r registers) card(t *testing.T, kind identity.Kind) *identity.Card {
	t.Helper()
	return identity.Decode(&identity.Raw{
		Kind: kind, CID: fromHex(t, r.cid), CSD: fromHex(t, r.csd), SCR: fromHex(t, r.scr), SSR: fromHex(t, r.ssr),
	})
}

// with sets the bits high to low of a register. A CID and a CSD lose their checksum, as some hosts drop it.
func with(register string, high, low int, value uint64) string {
	number, ok := new(big.Int).SetString(register, 16)
	if !ok {
		panic("no register: " + register)
	}
	for bit := low; bit <= high; bit++ {
		number.SetBit(number, bit, uint(value>>(bit-low)&1))
	}
	if len(register) == 32 {
		for bit := range 8 {
			number.SetBit(number, bit, 0)
		}
	}
	return hex.EncodeToString(number.FillBytes(make([]byte, len(register)/2)))
}

// The register dump of a real card of 8 GB, as its host printed it: a "3.0x" SDHC card of Class 4 that was made in May 2018. The
// host cleared the last bit of its CID and CSD.
var realCard = registers{
	cid: "015041593038414713daa1bff401252e",
	csd: "400e00325b59000039b37f800a4000f8",
	scr: "0235800001000000",
	ssr: "80000000030000000202900008070000" + zeros96,
}

const zeros96 = "000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000000"

// modern is an invented SDXC card of 64 GB: version 6.x, made in May 2020, C10 U3 V30 A2.
func modern() registers {
	ssr := with(zeros96[:32]+zeros96, 511, 510, 2)
	for _, f := range []struct {
		high, low int
		value     uint64
	}{
		{479, 448, 64 << 20},
		{447, 440, 4},
		{431, 428, 9},
		{423, 408, 8},
		{407, 402, 15},
		{399, 396, 3},
		{395, 392, 9},
		{391, 384, 30},
		{377, 368, 8},
		{339, 336, 2},
		{335, 328, 0xfc},
		{313, 313, 1},
	} {
		ssr = with(ssr, f.high, f.low, f.value)
	}
	return registers{
		cid: with(with("7f5a5a54455354316212345678001491", 55, 24, 0x8f2c61d9), 19, 8, 0x145),
		csd: with("400e00325b590000ffff7f800a400003", 69, 48, 121383),
		scr: "0245848700000000",
		ssr: ssr,
	}
}

// summary writes findings as their codes, a warning with "!" behind it.
func summary(findings []partition.Finding) []string {
	codes := []string{}
	for _, f := range findings {
		code := f.Code
		if f.Severity == partition.Warning {
			code += "!"
		}
		codes = append(codes, code)
	}
	return codes
}

func TestSoundCardsContradictNothing(t *testing.T) {
	rated := identity.Claims{SpeedClass: 10, UHSGrade: 3, VideoClass: 30, AppClass: 2}
	for name, c := range map[string]struct {
		registers registers
		situation identity.Situation
	}{
		"real": {
			realCard,
			identity.Situation{KernelSizeBytes: 7744782336, Today: today, Printed: identity.Claims{SpeedClass: 4}},
		},
		"real, CID alone": {registers{cid: realCard.cid}, identity.Situation{Today: today}},
		"real, no SSR": {
			registers{realCard.cid, realCard.csd, realCard.scr, ""},
			identity.Situation{KernelSizeBytes: 7744782336, Today: today, Printed: identity.Claims{SpeedClass: 10}},
		},
		"modern":                {modern(), identity.Situation{KernelSizeBytes: 121384 << 19, Today: today, Printed: rated}},
		"modern, nothing known": {modern(), identity.Situation{}},
		"modern, SSR not read": {
			registers{modern().cid, modern().csd, modern().scr, zeros96[:32] + zeros96},
			identity.Situation{Today: today, Printed: rated},
		},
		"modern, only its status": {registers{ssr: modern().ssr}, identity.Situation{Today: today}},
		"no register":             {registers{}, identity.Situation{KernelSizeBytes: 1 << 30, Today: today, Printed: rated}},
	} {
		findings := c.registers.card(t, identity.KindSD).Contradictions(c.situation)
		if findings == nil || len(findings) > 0 {
			t.Errorf("%s: %+v, want none, but not nil", name, findings)
		}
	}
}

// TestVectorsContradictWhatTheyShould takes CSDs and CIDs that were built from the specification's tables apart from this
// program. The CSDs span the sizes of every class; the last two CIDs are odd on purpose.
func TestVectorsContradictWhatTheyShould(t *testing.T) {
	for csd, sizeBytes := range map[string]int64{
		"002600325b598389c001cfff9240006d": 59375616,
		"002600325b5981ffc0004fff92400003": 4194304,
		"002600325b5a83ffc003cfff92800053": 2147483648,
		"002600325b5983ffc003cfff92400051": 1073741824,
		"400e00325b59000010107f800a4000b7": 2156396544,
		"400e00325b590000ff5f7f800a40009d": 34275852288,
		"400e00325b590000ffff7f800a400003": 34359738368,
		"400e00325b59003ffeff7f800a4000ef": 2198889037824,
		"800e00325b59004000007f800a4000b5": 2199023779840,
	} {
		card := registers{csd: csd}.card(t, identity.KindSD)
		if got := summary(card.Contradictions(identity.Situation{KernelSizeBytes: sizeBytes, Today: today})); len(got) > 0 {
			t.Errorf("CSD %s: %q", csd, got)
		}
	}
	for cid, want := range map[string][]string{
		realCard.cid:                       {},
		"7f5a5a54455354316212345678001491": {"serial-in-sequence"},
		"00000020202020200000000000000079": {
			"maker-blank", "oem-not-printable!", "name-blank", "date-month-impossible!", "serial-blank",
		},
		"fe343201ff024142100000000101ede7": {"name-not-printable!", "date-month-impossible!", "date-in-future!"},
	} {
		card := registers{cid: cid}.card(t, identity.KindSD)
		if got := summary(card.Contradictions(identity.Situation{Today: today})); !slices.Equal(got, want) {
			t.Errorf("CID %s: got %q, want %q", cid, got, want)
		}
	}
}

// TestRandomSoundCardsRaiseNoAlarm draws cards within the bounds of the specification's tables.
func TestRandomSoundCardsRaiseNoAlarm(t *testing.T) {
	cards := 1000
	if testing.Short() {
		cards = 100
	}
	seed := rand.Uint64()
	random := rand.New(rand.NewPCG(seed, 1))
	for range cards {
		r, situation := soundCard(random)
		if got := r.card(t, identity.KindSD).Contradictions(situation); len(got) > 0 {
			t.Fatalf("seed %d: %+v of %+v", seed, got, r)
		}
	}
}

func soundCard(random *rand.Rand) (registers, identity.Situation) {
	r := modern()
	r.cid = with(r.cid, 127, 120, 1+random.Uint64N(0xfe))
	for low := 64; low <= 112; low += 8 { // the name, and the OEM behind it
		r.cid = with(r.cid, low+7, low, '!'+random.Uint64N('~'-'!'+1))
	}
	r.cid = with(r.cid, 55, 24, 0x10000000+8*random.Uint64N(0x1000000)+random.Uint64N(2)*7) // never 8 digits in sequence
	r.cid = with(r.cid, 19, 12, 20+random.Uint64N(6))
	r.cid = with(r.cid, 11, 8, 1+random.Uint64N(12))
	size, security := 0xffff+random.Uint64N(0x3ffeff-0xffff+1), uint64(4)
	if random.IntN(2) == 0 {
		size, security = 0x1010+random.Uint64N(0xff5f-0x1010+1), 3
	}
	r.csd = with(r.csd, 69, 48, size)
	r.scr = with(r.scr, 54, 52, security)
	classes := []struct{ speed, uhs, video, app uint64 }{
		{1, 0, 0, 0},
		{2, 0, 0, 0},
		{3, 0, 6, 0},
		{4, 0, 0, 0},
		{4, 1, 0, 1},
		{4, 1, 10, 0},
		{4, 3, 30, 2},
		{4, 3, 60, 0},
		{4, 3, 90, 1},
	}
	class := classes[random.IntN(len(classes))]
	r.ssr = with(with(r.ssr, 447, 440, class.speed), 399, 396, class.uhs)
	r.ssr = with(with(r.ssr, 391, 384, class.video), 339, 336, class.app)
	r.ssr = with(r.ssr, 431, 428, random.Uint64N(10))
	return r, identity.Situation{KernelSizeBytes: int64(size+1) << 19, Today: today}
}

func TestCautionSaysThatNothingIsProven(t *testing.T) {
	for _, word := range []string{"forged", "customise", "proves"} {
		if !strings.Contains(identity.Caution(), word) {
			t.Errorf("%q lacks %q", identity.Caution(), word)
		}
	}
}
