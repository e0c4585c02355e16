package logbook_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// outcome gives a run an end that follows from its label alone, so that whoever knows the label knows what must be recorded.
func outcome(run *logbook.Run) (*logbook.Run, []flash.Sample) {
	hash := fnv.New64a()
	_, _ = hash.Write([]byte(run.Label)) // documented never to fail
	random := rand.New(rand.NewPCG(hash.Sum64(), 0))
	ended(run)
	run.Findings = append(run.Findings, partition.Finding{
		Code: "peers-unknown", Severity: partition.Information, Sentence: run.Label, Evidence: fmt.Sprint(random.Uint64()),
	})
	switch random.IntN(3) {
	case 0:
		run.Verdict = logbook.Damaged
		run.Proof.Damage = []verify.Damage{{OffsetBytes: int64(random.IntN(1000)), LengthBytes: 1, Kind: verify.KindZeros}}
	case 1:
		run.Verdict, run.Proof, run.TimeToProvenSeconds = logbook.Unfinished, nil, nil
		run.Error = &logbook.Failure{Step: flash.StepBody, OffsetBytes: random.Int64(), Cause: run.Label, Class: logbook.ClassCard}
	}
	samples := make([]flash.Sample, 1+random.IntN(500))
	for i := range samples {
		samples[i] = flash.Sample{OffsetBytes: int64(i), LengthBytes: 1, Busy: time.Duration(random.Uint32())}
	}
	return run, samples
}

// playOutcomes begins and finishes runs until it is killed, and tells each that Begin and Finish returned for.
func playOutcomes(ctx context.Context, path string) error {
	book, err := logbook.Open(ctx, path)
	if err != nil {
		return err
	}
	defer book.Close()
	for round := 0; ; round++ {
		run := flashRun(fmt.Sprintf("%d-%d", os.Getpid(), round), "")
		if err := book.Begin(ctx, run, begunImage("x")); err != nil {
			return err
		}
		fmt.Println("begun", run.RunID)
		end, samples := outcome(run)
		if err := book.Finish(ctx, end, endedImage("x"), samples); err != nil {
			return err
		}
		fmt.Println("closed", run.RunID)
	}
}

// told is what a killed program had told before.
type told struct{ begun, closed []int64 }

// killWithin starts a program that writes runs, kills it that long after its nth line, and gives what it told.
func killWithin(t *testing.T, path string, lines int, delay time.Duration) (all told) {
	t.Helper()
	for _, line := range linesUntilKilled(t, actor(t, "write outcomes", path), lines, delay) {
		var what string
		var runID int64
		if _, err := fmt.Sscan(line, &what, &runID); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if what == "begun" {
			all.begun = append(all.begun, runID)
		} else {
			all.closed = append(all.closed, runID)
		}
	}
	return all
}

// linesUntilKilled starts a program, kills it that long after its nth line, and gives the lines it told.
func linesUntilKilled(t *testing.T, cmd *exec.Cmd, lines int, delay time.Duration) (told []string) {
	t.Helper()
	cmd.Stderr = os.Stderr
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	killed := make(chan error, 1)
	kill := func() { time.AfterFunc(delay, func() { killed <- cmd.Process.Signal(syscall.SIGKILL) }) }
	if lines == 0 {
		kill()
	}
	scanner := bufio.NewScanner(stdout)
	for read := 1; scanner.Scan(); read++ {
		if read == lines {
			kill()
		}
		told = append(told, scanner.Text())
	}
	if err := <-killed; err != nil {
		t.Fatalf("the other program had ended: %v", err)
	}
	var ended *exec.ExitError
	if err := cmd.Wait(); !errors.As(err, &ended) || ended.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		t.Fatalf("the other program was not killed: %v", err)
	}
	return told
}

// expectWhole wants every run that is in the logbook to be closed with all that belongs to it, or to be open with nothing of it,
// and gives the numbers of those that are closed, and how many are open.
func expectWhole(t *testing.T, book *logbook.Book) (closed map[int64]bool, open int) {
	t.Helper()
	closed = map[int64]bool{}
	for _, got := range mustList(t, book, logbook.Filter{Limit: 1_000_000}) {
		samples, err := book.Trace(t.Context(), got.RunID)
		if err != nil {
			t.Fatal(err)
		}
		want := &logbook.Record{Run: *flashRun(got.Label, ""), Image: begunImage("x")}
		var trace []flash.Sample
		if len(got.Findings) > 0 || len(samples) > 0 || got.Verdict != logbook.Unfinished {
			closed[got.RunID] = true
			_, trace = outcome(&want.Run)
			want.Image = endedImage("x")
		} else {
			open++
		}
		want.RunID, want.CardID = got.RunID, got.CardID
		if diff := cmp.Diff(want, &got); diff != "" {
			t.Errorf("run %d is not as it was written (-want +got):\n%s", got.RunID, diff)
		}
		if !slices.Equal(trace, samples) {
			t.Errorf("the trace of run %d is not as it was written: %d samples, want %d", got.RunID, len(samples), len(trace))
		}
	}
	return closed, open
}

// A program that is killed at any moment loses no run that it was told is closed, and leaves none that is closed by half.
func TestKilledAtAnyMomentLosesNothing(t *testing.T) {
	const kills = 30
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	path := bookPath(t)
	var closedTold []int64
	begunTold, openBefore, hitOpen := 0, 0, 0
	for range kills {
		all := killWithin(t, path, random.IntN(8), time.Duration(random.IntN(8000))*time.Microsecond)
		closedTold, begunTold = append(closedTold, all.closed...), begunTold+len(all.begun)
		book, err := logbook.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		closed, open := expectWhole(t, book)
		for _, runID := range closedTold {
			if !closed[runID] {
				t.Errorf("run %d was told as closed, and is not", runID)
			}
		}
		for _, runID := range all.begun {
			if _, err := book.Show(t.Context(), runID); err != nil {
				t.Errorf("run %d was told as begun: %v", runID, err)
			}
		}
		if open > openBefore {
			hitOpen++
		}
		if open > openBefore+1 {
			t.Errorf("one kill left %d runs open", open-openBefore)
		}
		openBefore = open
		if err := book.Close(); err != nil {
			t.Error(err)
		}
		checkIntegrity(t, path)
		if t.Failed() {
			t.FailNow()
		}
	}
	t.Logf("%d kills: %d runs were told as begun, %d as closed; %d are open, %d kills hit an open run",
		kills, begunTold, len(closedTold), openBefore, hitOpen)
	if hitOpen == 0 || len(closedTold) == 0 {
		t.Errorf("%d kills hit an open run, %d runs were closed: the test has shown nothing", hitOpen, len(closedTold))
	}
}

// A program that is killed while it makes its logbook leaves a place where the next one can make it.
func TestKilledWhileTheLogbookIsMadeLetsTheNextGoOn(t *testing.T) {
	const kills = 25
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	// How long a program takes until its first run, so that the kills fall before.
	begun := time.Now()
	killWithin(t, bookPath(t), 1, 0)
	whole := time.Since(begun)
	begunFiles, young := 0, 0
	for range kills {
		path := filepath.Join(t.TempDir(), "logbook.db")
		all := killWithin(t, path, 0, time.Duration(random.Int64N(int64(whole))))
		if info, err := os.Stat(path); err == nil {
			begunFiles++
			if info.Size() < 8192 && len(all.begun) == 0 { // its tables are not all in it yet
				young++
			}
		}
		book, err := logbook.Open(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		expectWhole(t, book)
		next := flashRun("next", "")
		if err := book.Begin(t.Context(), next, begunImage("x")); err != nil {
			t.Fatal(err)
		}
		end, samples := outcome(next)
		if err := book.Finish(t.Context(), end, endedImage("x"), samples); err != nil {
			t.Fatal(err)
		}
		if closed, _ := expectWhole(t, book); !closed[next.RunID] {
			t.Error("the next program's run is not closed")
		}
		if err := book.Close(); err != nil {
			t.Error(err)
		}
		checkIntegrity(t, path)
	}
	t.Logf("%d kills within %v: the file was there after %d, without its tables after %d", kills, whole, begunFiles, young)
	if begunFiles == 0 {
		t.Error("no kill fell into the making of a logbook: the test has shown nothing")
	}
}
