package identity_test

import (
	"encoding/hex"
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"testing"

	"cardwright/internal/identity"
)

// unhex gives the bytes of hexadecimal digits.
func unhex(t testing.TB, digits string) []byte {
	t.Helper()
	content, err := hex.DecodeString(digits)
	if err != nil {
		t.Fatal(err)
	}
	return content
}

// expectWhole puts a register together again from its fields: they lie side by side from the highest bit to the lowest, and no
// bit of the register is lost.
func expectWhole(t testing.TB, register []byte, fields []identity.Field) {
	t.Helper()
	sum := new(big.Int)
	next := 8*len(register) - 1
	for _, f := range fields {
		high, low := bitRange(t, f.Bits)
		value, ok := new(big.Int).SetString(f.Raw, 0)
		if high != next || low > high || !ok || value.BitLen() > high-low+1 {
			t.Fatalf("field %+v where bit %d is next", f, next)
		}
		if f.Name == "" || f.Meaning == "" {
			t.Errorf("a field without a name or a meaning: %+v", f)
		}
		sum.Or(sum, value.Lsh(value, uint(low)))
		next = low - 1
	}
	if next != -1 {
		t.Errorf("the fields end above bit %d", next)
	}
	if got := hex.EncodeToString(sum.FillBytes(make([]byte, len(register)))); got != hex.EncodeToString(register) {
		t.Errorf("the fields make %s of %x", got, register)
	}
}

func bitRange(t testing.TB, bits string) (high, low int) {
	t.Helper()
	from, to, isRange := strings.Cut(bits, ":")
	high, err := strconv.Atoi(from)
	if err != nil {
		t.Fatal(err)
	}
	if !isRange {
		return high, high
	}
	low, err = strconv.Atoi(to)
	if err != nil {
		t.Fatal(err)
	}
	return high, low
}

// meaningOf gives what the field of a name means.
func meaningOf(t testing.TB, fields []identity.Field, name string) string {
	t.Helper()
	for _, f := range fields {
		if f.Name == name {
			return f.Meaning
		}
	}
	t.Fatalf("no field %s", name)
	return ""
}

// valuer is a register that looks its fields up.
type valuer interface {
	Value(field string) (uint64, bool)
}

// expectValues holds fields against the numbers that they must hold.
func expectValues(t testing.TB, register valuer, want map[string]uint64) {
	t.Helper()
	for name, number := range want {
		if got, ok := register.Value(name); !ok || got != number {
			t.Errorf("%s: got 0x%x (there: %v), want 0x%x", name, got, ok, number)
		}
	}
}

// sumTold is a checksum's verdict as a word.
func sumTold(ok *bool) string {
	if ok == nil {
		return "not delivered"
	}
	return fmt.Sprint(*ok)
}
