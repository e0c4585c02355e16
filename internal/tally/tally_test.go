package tally

// This file is inside the package: it fills the queues beyond the room that they have.

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/terminal"
	"cardwright/partition"
	"cardwright/verify"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the expected output anew; read every changed line before you keep it")

// expectGolden compares with a file under testdata.
func expectGolden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("the output differs (-want +got):\n%s", diff)
	}
}

func pointer[T any](value T) *T { return &value }

// runOf is the run of a card that came out like this.
func runOf(label string, verdict logbook.Verdict, pace flash.Pace) *logbook.Run {
	run := &logbook.Run{
		Device: "/dev/sdb", Label: label, CardID: 7, RunID: 41, Operation: logbook.OperationFlash, Verdict: verdict, Pace: pace,
		TimeToFlashSeconds: pointer(19.6), TimeToProvenSeconds: pointer(24.9),
		Write: &flash.Figures{Bytes: 415_236_096, BusySeconds: 19, SustainedBytesPerSecond: 21.9e6, Direct: true},
		Proof: &verify.Proof{Bytes: 415_236_096, FromMedium: true},
		Table: &partition.Table{Kind: partition.SchemeMBR},
	}
	switch verdict {
	case logbook.Damaged:
		run.Proof.Damage = []verify.Damage{{OffsetBytes: 4 << 20}, {OffsetBytes: 20 << 20}}
	case logbook.Unfinished:
		run.Proof = nil
		run.Error = &logbook.Failure{Step: flash.StepBody, OffsetBytes: 8 << 20, Cause: "the card is gone", Class: logbook.ClassCard}
	}
	return run
}

// batchEvents are one event of every kind at least, with texts that would steer a terminal.
func batchEvents(at time.Time) []batch.Event {
	slow := flash.Judgement{Pace: flash.PaceBelowPeers, Reason: "6.10 MB/s is under half", Peers: 7, PeersMedian: 18e6, PeersSpread: 1e6}
	poor := flash.Judgement{
		Pace: flash.PaceBelowClaim, Reason: "12.10 MB/s is under the 30 MB/s that U3, V30 promise",
		Claim: flash.Claim{BytesPerSecond: 30e6, Marks: "U3, V30"},
	}
	facts := &batch.Facts{
		Name: "attic", Wanted: 30, Before: 2, Image: source.Facts{Name: "node.img.xz", Format: source.FormatXZ, ImageBytes: 415_236_096}, CardBytes: 415_236_096,
		Bays: []batch.BayFacts{{Name: "left", Device: "/dev/sdb", Place: "1-2.3:lun1"}, {Name: "right", Device: "/dev/sdc", Place: "1-2.4"}},
	}
	events := []batch.Event{
		{Kind: batch.KindBegun, Batch: facts},
		{Kind: batch.KindSeated, Bay: "left", Device: "/dev/sdb"},
		{Kind: batch.KindStarted, Bay: "left", Device: "/dev/sdb", Label: "node-03", Number: 3},
		{Kind: batch.KindSeated, Bay: "right", Device: "/dev/sdc"},
		{Kind: batch.KindHeld, Bay: "right", Device: "/dev/sdc", Reasons: []string{"it holds files: ext4 \"\x1b[2Jroot\" in partition 2", "it was done before"}},
		{Kind: batch.KindReleased, Bay: "right", Device: "/dev/sdc"},
		{Kind: batch.KindStarted, Bay: "right", Device: "/dev/sdc", Label: "node-04", Number: 4},
		{Kind: batch.KindSlow, Bay: "right", Device: "/dev/sdc", Label: "node-04", Number: 4, Pace: slow, Rate: 6.1e6},
		{Kind: batch.KindFinished, Bay: "left", Device: "/dev/sdb", Label: "node-03", Number: 3, Run: runOf("node-03", logbook.Intact, flash.PaceAsPeers)},
		{Kind: batch.KindRemoved, Bay: "left", Device: "/dev/sdb"},
		{Kind: batch.KindSeated, Bay: "left", Device: "/dev/sdb"},
		{Kind: batch.KindRefused, Bay: "left", Device: "/dev/sdb", Reasons: []string{"it is write-protected"}},
		{Kind: batch.KindFinished, Bay: "right", Device: "/dev/sdc", Label: "node-04", Number: 4, Run: runOf("node-04", logbook.Intact, flash.PaceBelowPeers)},
		{Kind: batch.KindFinished, Bay: "left", Device: "/dev/sdb", Label: "node-05", Number: 5, Run: runOf("node-05", logbook.Damaged, flash.PaceUnjudged)},
		{Kind: batch.KindFinished, Bay: "right", Device: "/dev/sdc", Label: "", Number: 6, Run: runOf("", logbook.Unfinished, flash.PaceUnjudged)},
		{Kind: batch.KindSlow, Bay: "left", Device: "/dev/sdb", Label: "node-05", Number: 5, Pace: poor, Rate: 12.1e6},
		{Kind: batch.KindEnding},
		{Kind: batch.KindEnded, Totals: someTotals()},
	}
	for i := range events {
		events[i].At = at.Add(time.Duration(i) * time.Minute)
	}
	return events
}

func someTotals() *batch.Totals {
	cards := []batch.Card{
		{Bay: "left", Label: "node-03", Number: 3, RunID: 41, Verdict: "intact", Pace: flash.PaceAsPeers, SecondsToFlash: 19.6, SecondsToProof: 24.9, BytesPerSecond: 21.9e6},
		{Bay: "right", Label: "node-04", Number: 4, RunID: 42, Verdict: "intact", Pace: flash.PaceBelowPeers, SecondsToFlash: 68, SecondsToProof: 74, BytesPerSecond: 6.1e6},
		{Bay: "left", Label: "node-05", Number: 5, RunID: 43, Verdict: "damaged", Reason: "2 places differ, from byte 4194304 on"},
		{Bay: "right", Number: 6, RunID: 44, Verdict: "unfinished", Reason: "body at byte 8388608: the card is gone"},
	}
	return &batch.Totals{
		Elapsed: 16 * time.Minute, Cards: cards, Intact: 2, Failed: 2, Slow: 1, Before: 2, Wanted: 30, CardsPerHour: 7.5,
		Fastest: &cards[0], Median: &cards[0], Slowest: &cards[1],
	}
}

// Exit codes of the command, as README.md lists them.
const (
	done          = 0
	programFailed = 1
	refused       = 3
	damaged       = 6
)

// tallied runs a tally over events without a terminal, and gives what it printed, with what it ended, and what it showed. Where events
// are missing, the command fails.
func tallied(t *testing.T, o Options, events []batch.Event, code int) (face *Tally, ended int, screen string) {
	t.Helper()
	var shown strings.Builder
	o.Screen, o.LineEvery, o.Terminal = &shown, 5*time.Second, noTerminal
	face = New(o)
	face.During(func() []batch.Look { return nil }, nil, func() {
		for _, e := range events {
			face.Tell(e)
		}
	})
	ended, err := face.Finish(ExitCodes{AllTold: code, Missing: programFailed})
	if err != nil {
		t.Error(err)
	}
	return face, ended, shown.String()
}

func noTerminal() (terminal.Terminal, error) { return nil, errNoTerminal }

var errNoTerminal = errors.New("there is no terminal")

func beginning() time.Time { return time.Date(2026, 3, 4, 22, 15, 30, 0, time.UTC) }

// Without a terminal each event is a line, finished cards stand in a table, and the totals come on standard output.
func TestBatchInLines(t *testing.T) {
	var stdout strings.Builder
	o := Options{Results: &stdout, GoOn: "the same command goes on with them"}
	_, code, stderr := tallied(t, o, batchEvents(beginning()), damaged)
	if code != damaged {
		t.Errorf("exit code %d", code)
	}
	expectGolden(t, "lines.txt", stderr)
	expectGolden(t, "totals.txt", stdout.String())
	for line := range strings.Lines(stderr + stdout.String()) {
		if len(line) > 81 || strings.ContainsAny(line, "\x1b\a") {
			t.Errorf("%q does not fit a screen, or steers it", line)
		}
	}
}

// With --json each event is one document on one line, and the names in them are a contract.
func TestBatchInJSON(t *testing.T) {
	var stdout strings.Builder
	events := batchEvents(beginning())
	o := Options{Results: &stdout, JSON: true, StartedAt: beginning().Add(-time.Second)}
	if _, code, _ := tallied(t, o, events, damaged); code != damaged {
		t.Errorf("exit code %d", code)
	}
	lines := strings.Split(strings.TrimSuffix(stdout.String(), "\n"), "\n")
	if len(lines) != len(events) {
		t.Fatalf("%d lines of %d events", len(lines), len(events))
	}
	paths := map[string]bool{}
	for i, line := range lines {
		var document map[string]any
		if err := json.Unmarshal([]byte(line), &document); err != nil {
			t.Fatal(err)
		}
		if document["event"] != string(events[i].Kind) || document["at"] != events[i].At.Format(time.RFC3339) {
			t.Errorf("document %d: %v", i, document)
		}
		if strings.Contains(line, `"reasons":null`) || strings.Contains(line, `"findings":null`) || strings.Contains(line, `"partitions":null`) {
			t.Errorf("document %d has a list that is null: %s", i, line)
		}
		addPaths(paths, string(events[i].Kind), document)
		if run, ok := document["run"].(map[string]any); ok != (events[i].Kind == batch.KindFinished) || ok && run["verdict"] == nil {
			t.Errorf("document %d has the run %v", i, run)
		}
	}
	if !strings.Contains(lines[0], `"started_at":"2026-03-04T22:15:29Z"`) || !strings.Contains(lines[len(lines)-1], `"exit_code":6`) {
		t.Errorf("the first is %s\nand the last is %s", lines[0], lines[len(lines)-1])
	}
	// What a run holds, the scripts freeze for the other commands.
	maps.DeleteFunc(paths, func(path string, _ bool) bool { return strings.HasPrefix(path, "finished.run.") })
	expectGolden(t, "paths.txt", strings.Join(slices.Sorted(maps.Keys(paths)), "\n")+"\n")
}

// A batch that fails on its way still has a last document.
func TestStreamOfABatchThatFailsHasAnEnd(t *testing.T) {
	var stdout strings.Builder
	if _, code, _ := tallied(t, Options{Results: &stdout, JSON: true}, batchEvents(beginning())[:3], programFailed); code != programFailed {
		t.Errorf("exit code %d", code)
	}
	lines := strings.Split(strings.TrimSpace(stdout.String()), "\n")
	if last := lines[len(lines)-1]; len(lines) != 4 || !strings.Contains(last, `"event":"ended"`) || !strings.Contains(last, `"totals":null`) {
		t.Errorf("%d lines, the last %s", len(lines), last)
	}
}

// A command that ends before its batch began leaves standard output to the document of its failure.
func TestTallyOfNothingPrintsNothing(t *testing.T) {
	var stdout strings.Builder
	face, code, stderr := tallied(t, Options{Results: &stdout, JSON: true}, nil, refused)
	if code != refused || stdout.Len() > 0 || stderr != "" || face.Documented() {
		t.Errorf("exit code %d, %q, %q", code, &stdout, stderr)
	}
}

// addPaths finds the paths of all values that have no parts; items of lists count as one.
func addPaths(found map[string]bool, path string, value any) {
	switch at := value.(type) {
	case map[string]any:
		for key, inner := range at {
			addPaths(found, path+"."+key, inner)
		}
	case []any:
		if len(at) == 0 {
			found[path+"[]"] = true
		}
		for _, inner := range at {
			addPaths(found, path+"[]", inner)
		}
	default:
		found[path] = true
	}
}

// brokenPipe is a reader that has gone.
type brokenPipe struct{ writes int }

var errBrokenPipe = errors.New("broken pipe")

func (b *brokenPipe) Write([]byte) (int, error) {
	b.writes++
	return 0, errBrokenPipe
}

// Whoever read the stream may go: the batch goes on, the operator is told once, and the command ends with 1.
func TestBrokenStreamStopsNoCards(t *testing.T) {
	pipe := &brokenPipe{}
	_, code, stderr := tallied(t, Options{Results: pipe, JSON: true}, batchEvents(beginning()), done)
	if code != programFailed || pipe.writes != 1 || strings.Count(stderr, "broken pipe") != 1 {
		t.Errorf("exit code %d after %d writes:\n%s", code, pipe.writes, stderr)
	}
}

// stuck is an output that takes nothing until it is let go.
type stuck struct {
	release <-chan struct{}
	mu      sync.Mutex
	bytes.Buffer
}

func (s *stuck) Write(b []byte) (int, error) {
	<-s.release
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.Buffer.Write(b)
}

// A stuck terminal and a stuck pipe never make the teller wait; what found no room is told of.
func TestStuckOutputsNeverHoldUpTheTeller(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		stdout, stderr := &stuck{release: release}, &stuck{release: release}
		face := New(Options{Screen: stderr, Results: stdout, JSON: true, LineEvery: time.Second, Terminal: noTerminal})
		face.During(func() []batch.Look { return nil }, nil, func() {
			for i := range streamRoom + 100 {
				face.Tell(batch.Event{Kind: batch.KindSeated, Bay: fmt.Sprint(i), At: time.Now()})
			}
			close(release)
		})
		if code, err := face.Finish(ExitCodes{AllTold: done, Missing: programFailed}); code != programFailed || err != nil {
			t.Errorf("exit code %d (%v) though events are missing", code, err)
		}
		written := strings.Count(stdout.String(), "\n")
		if written < streamRoom || written > streamRoom+2 || !strings.Contains(stdout.String(), `"exit_code":1`) {
			t.Errorf("%d documents were written", written)
		}
		for _, want := range []string{"messages are left out here", "events are missing on standard output"} {
			if !strings.Contains(stderr.String(), want) {
				t.Errorf("it is not told that %s", want)
			}
		}
	})
}

// A panic in the work still ends the painter and the reader of the terminal.
func TestTallyEndsWithAPanic(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // which fails when one is left behind
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		face := New(Options{Screen: io.Discard, LineEvery: time.Second, Terminal: noTerminal})
		face.During(func() []batch.Look { return nil }, nil, func() { panic("work") })
	})
}
