package logbook_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/logbook"
)

// limitVariable is how large, in bytes, a file of the program that plays a role may become; unset for any size.
const limitVariable = "LOGBOOK_TEST_LIMIT"

// playLimited writes runs until the first error, tells each that is closed, and what kind of error it was in the end.
func playLimited(ctx context.Context, path string) error {
	if limit := os.Getenv(limitVariable); limit != "" {
		limitBytes, err := strconv.ParseUint(limit, 10, 64)
		if err != nil {
			return err
		}
		if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: limitBytes, Max: limitBytes}); err != nil {
			return err
		}
	}
	fmt.Println("failed", kindName(limitedRuns(ctx, path), path))
	return nil
}

func limitedRuns(ctx context.Context, path string) error {
	book, err := logbook.Open(ctx, path)
	if err != nil {
		return err
	}
	defer book.Close()
	for round := range 1000 {
		run := flashRun(fmt.Sprint("limited ", round), "")
		if err := book.Begin(ctx, run, begunImage("x")); err != nil {
			return err
		}
		end, samples := outcome(run)
		if err := book.Finish(ctx, end, endedImage("x"), samples); err != nil {
			return err
		}
		fmt.Println("closed", run.RunID)
	}
	return nil
}

// kindName names the kind of an error that names the file.
func kindName(err error, path string) string {
	for name, kind := range map[string]error{"denied": logbook.ErrDenied, "disk": logbook.ErrDisk, "full": logbook.ErrFull} {
		if errors.Is(err, kind) && strings.Contains(err.Error(), path) {
			return name
		}
	}
	return fmt.Sprint("otherwise: ", err)
}

// unprivileged makes a program be one that permissions bind, and gives it the folder.
func unprivileged(t *testing.T, cmd *exec.Cmd, folder string) {
	t.Helper()
	if os.Geteuid() == 0 {
		const nobody = 65534
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
		binary, err := os.Executable()
		if err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(binary, 0o755); err != nil { // a strict umask made it root's alone
			t.Fatal(err)
		}
		files, err := filepath.Glob(filepath.Join(folder, "*"))
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range append(files, folder) {
			if err := os.Chown(path, nobody, nobody); err != nil {
				t.Fatal(err)
			}
		}
	}
	for up := filepath.Dir(folder); strings.HasPrefix(up, os.TempDir()+"/"); up = filepath.Dir(up) {
		if err := os.Chmod(up, 0o755); err != nil {
			t.Fatal(err)
		}
	}
}

// Where file or folder may not be written, the logbook is not opened for writing at all, so that this is known before a card is
// touched; and nothing changes.
func TestWhereWritingIsDeniedThatIsSaidAtOnce(t *testing.T) {
	const fileOpen, folderOpen = 0o644, 0o755
	situations := map[string]struct{ file, folder os.FileMode }{
		"a file that may only be read":        {0o444, folderOpen},
		"a file that may not even be read":    {0, folderOpen},
		"a folder that may only be read":      {fileOpen, 0o555},
		"a folder that may not be entered":    {fileOpen, 0},
		"neither file nor folder is writable": {0o444, 0o555},
	}
	for name, s := range situations {
		t.Run(name, func(t *testing.T) {
			path := closedBook(t)
			before := beside(t, path)
			cmd := actor(t, "write limited", path)
			unprivileged(t, cmd, filepath.Dir(path))
			if err := errors.Join(os.Chmod(path, s.file), os.Chmod(filepath.Dir(path), s.folder)); err != nil {
				t.Fatal(err)
			}
			out, err := cmd.CombinedOutput()
			if err := errors.Join(os.Chmod(filepath.Dir(path), folderOpen), os.Chmod(path, fileOpen)); err != nil {
				t.Fatal(err)
			}
			if err != nil || string(out) != "failed denied\n" {
				t.Errorf("%s%v", out, err)
			}
			if after := beside(t, path); len(after) != len(before) || after["logbook.db"] != before["logbook.db"] {
				t.Errorf("the folder holds %d files, before %d; or the logbook changed", len(after), len(before))
			}
		})
	}
	t.Logf("logbook faults: %d situations", len(situations))
}

// Where a file cannot grow at any of many sizes, the run at hand is not closed, and every run that was told as closed is there.
func TestLogbookThatCannotGrowKeepsWhatItHolds(t *testing.T) {
	const kib = 1024
	kinds := map[string]int{}
	situations, closedRuns := 0, 0
	for limitBytes := 0; limitBytes <= 240*kib; limitBytes += 15 * kib {
		path := filepath.Join(t.TempDir(), "made", "logbook.db")
		cmd := actor(t, "write limited", path)
		cmd.Env = append(cmd.Env, limitVariable+"="+strconv.Itoa(limitBytes))
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%d bytes: %s%v", limitBytes, out, err)
		}
		var told []int64
		kind := ""
		for line := range strings.Lines(string(out)) {
			var runID int64
			if _, err := fmt.Sscanf(line, "closed %d", &runID); err == nil {
				told = append(told, runID)
				continue
			}
			kind = strings.TrimPrefix(strings.TrimSpace(line), "failed ")
		}
		if kind != "disk" && kind != "full" {
			t.Errorf("%d bytes: %s", limitBytes, kind)
		}
		kinds[kind]++
		situations++
		closedRuns += len(told)
		book, err := logbook.Open(t.Context(), path)
		if err != nil {
			t.Fatalf("%d bytes: the next program cannot open it: %v", limitBytes, err)
		}
		closed, _ := expectWhole(t, book)
		for _, runID := range told {
			if !closed[runID] {
				t.Errorf("%d bytes: run %d was told as closed, and is not", limitBytes, runID)
			}
		}
		record(t, book, flashRun("next", ""), "x", trace(1))
		if err := book.Close(); err != nil {
			t.Error(err)
		}
		checkIntegrity(t, path)
	}
	t.Logf("logbook faults: %d situations, by kind %v; %d runs were closed before", situations, kinds, closedRuns)
	if closedRuns == 0 {
		t.Error("no run was closed before a file could not grow: the test has shown nothing")
	}
}
