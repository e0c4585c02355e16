package main

import (
	"context"
	"encoding/json"
	"io"
	"os/exec"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The median of an even number of values is the mean of the middle two (common practice).
func TestMiddleIsTheMedian(t *testing.T) {
	for _, c := range []struct {
		values []float64
		want   float64
	}{{[]float64{3}, 3}, {[]float64{9, 1, 2}, 2}, {[]float64{4, 1, 100, 2}, 3}} {
		if got := middle(c.values); got != c.want {
			t.Errorf("the median of %v is %g, want %g", c.values, got, c.want)
		}
	}
}

func TestSidesTakeTurns(t *testing.T) {
	var order strings.Builder
	counted := func(name string, seconds ...float64) side {
		n := 0
		return side{name, func(context.Context) (float64, error) {
			order.WriteString(name)
			n++
			return seconds[n-1], nil
		}}
	}
	medians, err := inTurn(t.Context(), 3, counted("a", 5, 1, 3), counted("b", 7, 8, 60))
	if err != nil || order.String() != "ababab" || medians[0].Seconds != 3 || medians[1].Seconds != 8 {
		t.Errorf("%s, %+v, %v", &order, medians, err)
	}
	failing := side{"c", func(context.Context) (float64, error) { return 0, io.ErrUnexpectedEOF }}
	if _, err := inTurn(t.Context(), 3, failing); err == nil || !strings.HasPrefix(err.Error(), "c: ") {
		t.Errorf("a side that failed: %v", err)
	}
}

func TestReportTellsBothSides(t *testing.T) {
	r := report{
		Machine: []string{"two cores", "a kernel"}, Image: "board.img.xz", Rounds: 3,
		Figures: []figure{
			{"decoding", 1.25, "x", "1.2 or more", []median{{"here", 2, []float64{1, 2, 3}}, {"the tool", 2.5, []float64{2.5, 2.5, 2.5}}}},
			{"memory at most", 55.5, "MiB", "", nil},
		},
	}
	var text, document strings.Builder
	if err := r.writeText(&text); err != nil {
		t.Fatal(err)
	}
	want := `Machine  two cores
         a kernel
Image    board.img.xz
Medians of 3, of decoders of 9

    1.25 x     decoding (goal: 1.2 or more)
                  2.000 s  here
                  2.500 s  the tool
   55.50 MiB   memory at most
`
	if diff := cmp.Diff(want, text.String()); diff != "" {
		t.Error(diff)
	}
	if err := r.writeJSON(&document); err != nil {
		t.Fatal(err)
	}
	var again report
	if err := json.Unmarshal([]byte(document.String()), &again); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(r, again); diff != "" {
		t.Error(diff)
	}
}

func TestWrongUsageIsTold(t *testing.T) {
	for _, args := range [][]string{
		{},
		{"-image", ""},
		{"-image", "x.xz", "more"},
		{"-image", "x.xz", "-rounds", "0"},
		{"-image", "x.xz", "-only", "("},
		{"-image", "x.xz", "-fast"},
		{"-image", "/nowhere/x.xz"},
	} {
		if err := run(t.Context(), args, io.Discard, io.Discard); err == nil {
			t.Errorf("%q was taken", args)
		}
	}
	if err := run(t.Context(), []string{"-help"}, io.Discard, io.Discard); err != nil {
		t.Errorf("help: %v", err)
	}
}

func TestFailedCommandSaysWhy(t *testing.T) {
	_, err := timed(exec.CommandContext(t.Context(), "sh", "-c", "echo the card is gone >&2; exit 5"))
	if err == nil || !strings.Contains(err.Error(), "the card is gone") || !strings.Contains(err.Error(), "exit status 5") {
		t.Errorf("%v", err)
	}
}

// A document as the flash command prints it, cut down to what is read.
func TestSlowestCardCounts(t *testing.T) {
	const document = `{"cards":[{"verdict":"intact","time_to_proven_s":2.5},{"verdict":"intact","time_to_proven_s":4}]}`
	if seconds, err := slowest([]byte(document)); err != nil || seconds != 4 {
		t.Errorf("%g, %v", seconds, err)
	}
	damaged := strings.Replace(document, "intact", "damaged", 1)
	if _, err := slowest([]byte(damaged)); err == nil {
		t.Error("a damaged card was taken for a figure")
	}
}
