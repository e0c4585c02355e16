package logbook_test

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/internal/logbook"
)

// The test binary plays the other program: with this variable set it carries out one of the roles below and ends.
const roleVariable = "LOGBOOK_TEST_ROLE"

func TestMain(m *testing.M) {
	if role := os.Getenv(roleVariable); role != "" {
		if err := play(context.Background(), role, os.Getenv("LOGBOOK_TEST_PATH")); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// play carries out one role.
func play(ctx context.Context, role, path string) error {
	switch role {
	case "read":
		return playReader(ctx, path)
	case "write outcomes":
		return playOutcomes(ctx, path)
	case "give turns":
		return playTurns(ctx, path)
	case "hold a batch":
		return playHolder(ctx, path)
	case "note cards":
		return playNotes(ctx, path, 1_000_000)
	case "note 20 cards":
		return playNotes(ctx, path, 20)
	case "write limited":
		return playLimited(ctx, path)
	}
	book, err := logbook.Open(ctx, path)
	if err != nil {
		return err
	}
	defer book.Close()
	for round := range 20 {
		run := flashRun(fmt.Sprintf("%d %d", os.Getpid(), round), "")
		if err := book.Begin(ctx, run, begunImage("x")); err != nil {
			return err
		}
		if role == "begin and wait" {
			fmt.Println("begun", run.RunID)
			select {} // until killed
		}
		if err := book.Finish(ctx, ended(run), endedImage("x"), longTrace(run.RunID)); err != nil {
			return err
		}
	}
	return nil
}

// playReader tells the runs it finds.
func playReader(ctx context.Context, path string) error {
	book, err := logbook.OpenReadOnly(ctx, path)
	if err != nil {
		return err
	}
	defer book.Close()
	records, err := book.List(ctx, logbook.Filter{})
	for _, record := range records {
		fmt.Println(record.RunID, record.Verdict)
	}
	return err
}

// actor prepares the test binary for a role.
func actor(t *testing.T, role, path string) *exec.Cmd {
	t.Helper()
	// The link is followed by the kernel, so that a user without a right to the binary's folder can start it too.
	cmd := exec.CommandContext(t.Context(), "/proc/self/exe")
	cmd.Env = append(os.Environ(), roleVariable+"="+role, "LOGBOOK_TEST_PATH="+path)
	return cmd
}

// killAfter starts the actor and kills it with its nth line.
func killAfter(t *testing.T, cmd *exec.Cmd, lines int) {
	t.Helper()
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	scanner := bufio.NewScanner(stdout)
	for range lines {
		if !scanner.Scan() {
			t.Fatalf("the other program ended early: %v", cmd.Wait())
		}
	}
	if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	var ended *exec.ExitError
	if err := cmd.Wait(); !errors.As(err, &ended) {
		t.Fatalf("the other program was not killed: %v", err)
	}
}

// longTrace takes long enough to be written that a kill may fall into it.
func longTrace(runID int64) (samples []flash.Sample) {
	for i := range 500 {
		samples = append(samples, flash.Sample{OffsetBytes: int64(i), LengthBytes: 1, Busy: time.Duration(runID)})
	}
	return samples
}

// checkIntegrity asks SQLite whether the file is sound.
func checkIntegrity(t *testing.T, path string) {
	t.Helper()
	db, err := sql.Open("sqlite", path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, pragma := range []string{"integrity_check", "foreign_key_check"} {
		var line string
		err := db.QueryRowContext(t.Context(), "PRAGMA "+pragma).Scan(&line)
		if pragma == "integrity_check" && (err != nil || line != "ok") ||
			pragma == "foreign_key_check" && !errors.Is(err, sql.ErrNoRows) {
			t.Errorf("%s: %q, %v", pragma, line, err)
		}
	}
}

func TestKilledAfterBeginReadsAsUnfinished(t *testing.T) {
	path := bookPath(t)
	record(t, open(t, path), flashRun("before", ""), "x", nil)
	killAfter(t, actor(t, "begin and wait", path), 1)
	book := open(t, path)
	records, err := book.List(t.Context(), logbook.Filter{})
	if err != nil || len(records) != 2 || records[0].Verdict != logbook.Unfinished || records[1].Verdict != logbook.Intact {
		t.Fatalf("%v, %+v", err, records)
	}
	// The number the killed program had told is the one that is found.
	next := flashRun("after", "")
	record(t, book, next, "x", nil)
	if next.RunID != records[0].RunID+1 {
		t.Errorf("the next run has number %d", next.RunID)
	}
	checkIntegrity(t, path)
}

func TestCopyTakenAfterBeginReadsAsUnfinished(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	run := flashRun("a", "")
	if err := book.Begin(t.Context(), run, begunImage("x")); err != nil {
		t.Fatal(err)
	}
	// What power loss would leave: the files as they are, without the shared memory, which is only ever in memory.
	cut := filepath.Join(t.TempDir(), "logbook.db")
	for _, suffix := range []string{"", "-wal"} {
		content, err := os.ReadFile(path + suffix)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(cut+suffix, content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := open(t, cut).Show(t.Context(), run.RunID)
	if err != nil || got.Verdict != logbook.Unfinished || got.Label != "a" {
		t.Errorf("%v, %+v", err, got)
	}
	checkIntegrity(t, cut)
}

func TestTwoProgramsWriteAtOnce(t *testing.T) {
	path := bookPath(t)
	var actors []*exec.Cmd
	for range 3 { // all meet a file that is not there yet
		cmd := actor(t, "write 20 runs", path)
		cmd.Stderr = os.Stderr
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		actors = append(actors, cmd)
	}
	for _, cmd := range actors {
		if err := cmd.Wait(); err != nil {
			t.Error(err)
		}
	}
	records, err := open(t, path).List(t.Context(), logbook.Filter{Limit: 1000})
	if err != nil || len(records) != 60 {
		t.Fatalf("%d runs, %v", len(records), err)
	}
	for _, r := range records {
		if r.Verdict != logbook.Intact {
			t.Errorf("run %d is %s", r.RunID, r.Verdict)
		}
	}
	checkIntegrity(t, path)
}

// Anyone may read a logbook in a folder they cannot write to: closed, open in another program, or left by a killed one.
func TestReaderNeedsNoRightToWrite(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "lib", "logbook.db")
	book := open(t, path)
	record(t, book, flashRun("a", ""), "x", nil)
	readerSees(t, path, "1 intact\n") // the writer is still there
	if err := book.Close(); err != nil {
		t.Fatal(err)
	}
	readerSees(t, path, "1 intact\n") // closed cleanly: one file
	if files, err := filepath.Glob(path + "*"); err != nil || len(files) != 1 {
		t.Errorf("beside the closed logbook lie %v, %v", files, err)
	}
	killAfter(t, actor(t, "begin and wait", path), 1)
	readerSees(t, path, "2 unfinished\n1 intact\n")  // part of it is in the write-ahead log only
	if err := os.Remove(path + "-shm"); err != nil { // as after power loss
		t.Fatal(err)
	}
	if out, err := readAsOther(t, path); err == nil {
		t.Errorf("a logbook whose write-ahead log cannot be read was read as:\n%s", out)
	}
}

// readerSees starts a reader without rights and compares what it tells.
func readerSees(t *testing.T, path, want string) {
	t.Helper()
	if out, err := readAsOther(t, path); err != nil || out != want {
		t.Errorf("the reader sees %q, %v, want %q", out, err, want)
	}
}

// readAsOther starts a reader that may not write: as another user where the test runs as root, whom no permission binds,
// else behind a folder that is closed to writing for that time.
func readAsOther(t *testing.T, path string) (string, error) {
	t.Helper()
	cmd := actor(t, "read", path)
	folder := filepath.Dir(path)
	mode := os.FileMode(0o755)
	if os.Geteuid() == 0 {
		const nobody = 65534
		binary, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(binary, 0o755); err != nil { // a strict umask made it root's alone
			t.Fatal(err)
		}
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	} else {
		mode = 0o555
	}
	for up := filepath.Dir(folder); strings.HasPrefix(up, os.TempDir()+"/"); up = filepath.Dir(up) {
		if err := os.Chmod(up, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(folder, mode); err != nil {
		t.Fatal(err)
	}
	out, err := cmd.CombinedOutput()
	return string(out), errors.Join(err, os.Chmod(folder, 0o755))
}
