package logbook

// In the package itself: the order is used where no exported call shows it alone.

import (
	"cmp"
	"slices"
	"testing"
)

func TestLabelsAreOrderedAsPeopleCount(t *testing.T) {
	want := []string{
		"", "01", "1", "2", "10", "99999999999999999999998", "99999999999999999999999", "a", "a1", "a1-2", "a1-10", "a2", "a02b", "a10",
		"b", "b c", "b-1", "ä",
	}
	for i, a := range want {
		for j, b := range want {
			if got := compareLabels(a, b); got != cmp.Compare(i, j) {
				t.Errorf("%q against %q is %d", a, b, got)
			}
			if compareLabels(a, b) != -compareLabels(b, a) || (compareLabels(a, b) == 0) != (a == b) {
				t.Errorf("%q and %q are in no order", a, b)
			}
		}
	}
	mixed := slices.Clone(want)
	slices.Reverse(mixed)
	slices.SortFunc(mixed, compareLabels)
	if !slices.Equal(mixed, want) {
		t.Errorf("sorted as %q", mixed)
	}
}
