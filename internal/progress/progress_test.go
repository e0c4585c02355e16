package progress_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/progress"
)

// In lines, each card is told when its step changes and then every few seconds; a finished one is not told again.
func TestProgressInLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		image, err := source.Open(t.Context(), source.StandardInput, source.Options{Raw: true, Stdin: strings.NewReader("image")})
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		meter := &flash.Meter{}
		progress.New(&out, 5*time.Second, progress.NewTrack("sdb", meter, image, 0)).During(func() {
			meter.Enter(flash.StepProof)
			for range 11 {
				meter.Proved(20e6)
				time.Sleep(time.Second)
			}
			meter.Enter(flash.StepRecord)
			time.Sleep(time.Minute)
		})
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if len(lines) != 4 {
			t.Fatalf("%d lines:\n%s", len(lines), &out)
		}
		for i, want := range []string{"sdb: proving, 20.0 MB", "sdb: proving, 120.0 MB, 20", "sdb: proving, 220.0 MB, 20", "sdb: ended, see the report"} {
			if !strings.HasPrefix(lines[i], want) {
				t.Errorf("line %d is %q, want %q", i, lines[i], want)
			}
		}
	})
}

// A panic in the work still stops the painter.
func TestProgressEndsWithAPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // which fails when the painter is left behind
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		progress.New(&strings.Builder{}, time.Second).During(func() { panic("work") })
	})
}
