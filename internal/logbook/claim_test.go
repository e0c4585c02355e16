package logbook_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"cardwright/internal/logbook"
)

// playHolder opens the batch and waits until it is killed.
func playHolder(ctx context.Context, path string) error {
	book, err := logbook.Open(ctx, path)
	if err != nil {
		return err
	}
	batch, err := book.OpenBatch(ctx, stack(false))
	if err != nil {
		return err
	}
	turn, err := batch.Give(ctx, "row-0")
	if err != nil {
		return err
	}
	fmt.Println("given", turn.Number)
	select {} // until killed
}

// Two programs cannot work on the batches of one name, by whichever path each knows the logbook. A program that is killed gives
// them up, and its turn is returned.
func TestBatchIsOpenInOneProgram(t *testing.T) {
	path := bookPath(t)
	closeAll(t, open(t, path)) // so that the file is there
	link := filepath.Join(t.TempDir(), "link.db")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	cmd := actor(t, "hold a batch", link)
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var number int64
	if _, err := fmt.Fscanf(stdout, "given %d", &number); err != nil {
		t.Fatal(err)
	}
	book := open(t, path)
	for name, o := range map[string]logbook.BatchOptions{"the same": stack(false), "anew": stack(true)} {
		if _, err := book.OpenBatch(t.Context(), o); !errors.Is(err, logbook.ErrBatchInUse) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	other, err := book.OpenBatch(t.Context(), logbook.BatchOptions{Name: "other", ImageSHA256: digest("x")})
	if err != nil {
		t.Fatalf("a batch of another name: %v", err)
	}
	if state := storedTurns(t, path)[number].state; state != logbook.TurnGiven {
		t.Errorf("under the living program its turn became %s", state)
	}
	if err := cmd.Process.Signal(syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the other program was not killed")
	}
	batch, err := book.OpenBatch(t.Context(), stack(false))
	if err != nil {
		t.Fatalf("after the other program was killed: %v", err)
	}
	if state := storedTurns(t, path)[number].state; state != logbook.TurnReturned {
		t.Errorf("after the other program was killed its turn is %s", state)
	}
	if _, err := open(t, link).OpenBatch(t.Context(), stack(false)); !errors.Is(err, logbook.ErrBatchInUse) {
		t.Errorf("twice within one program: got %v", err)
	}
	closeAll(t, batch, batch, other)
	if _, err := batch.Give(t.Context(), ""); err == nil {
		t.Error("a closed batch gave a turn")
	}
	again, err := book.OpenBatch(t.Context(), stack(false))
	if err != nil {
		t.Fatalf("after it was closed: %v", err)
	}
	closeAll(t, again)
}

// kernelLocks counts the locks on a file that the kernel lists as those of this process, or of an open file (proc_locks(5)).
func kernelLocks(t *testing.T, path string) (count int) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	locks, err := os.ReadFile("/proc/locks")
	if err != nil {
		t.Fatal(err)
	}
	inode := fmt.Sprintf(":%d", info.Sys().(*syscall.Stat_t).Ino)
	for line := range strings.Lines(string(locks)) {
		const process, file = 4, 5 // after number, kind, mode and access
		fields := strings.Fields(line)
		if own := fields[process] == strconv.Itoa(os.Getpid()) || fields[process] == "-1"; own && strings.HasSuffix(fields[file], inode) {
			count++
		}
	}
	return count
}

// Opening and closing a batch takes none of the locks away by which SQLite keeps other programs from the file.
func TestBatchLeavesTheLocksOfSQLiteAlone(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	record(t, book, flashRun("a", ""), "x", nil)
	before, besideBefore := kernelLocks(t, path), kernelLocks(t, path+"-shm")
	if before == 0 || besideBefore == 0 {
		t.Fatalf("the kernel lists %d and %d locks of SQLite: the test would show nothing", before, besideBefore)
	}
	batch, err := book.OpenBatch(t.Context(), stack(false))
	if err != nil {
		t.Fatal(err)
	}
	if got := kernelLocks(t, path+"-batches"); got != 1 {
		t.Errorf("the kernel lists %d locks on the file of batches", got)
	}
	closeAll(t, batch)
	if got := kernelLocks(t, path+"-batches"); got != 0 {
		t.Errorf("after the batch was closed the kernel lists %d locks on the file of batches", got)
	}
	if after, besideAfter := kernelLocks(t, path), kernelLocks(t, path+"-shm"); after != before || besideAfter != besideBefore {
		t.Errorf("%d and %d locks of SQLite, before the batch %d and %d", after, besideAfter, before, besideBefore)
	}
}

// A claim that another program could not see any more gives no turns.
func TestBatchWhoseFileIsGoneGivesNoMore(t *testing.T) {
	for name, lose := range map[string]func(path string) error{
		"deleted":  os.Remove,
		"moved":    func(path string) error { return os.Rename(path, path+".away") },
		"replaced": func(path string) error { return errors.Join(os.Remove(path), os.WriteFile(path, nil, 0o600)) },
	} {
		t.Run(name, func(t *testing.T) {
			path := bookPath(t)
			book := open(t, path)
			batch, err := book.OpenBatch(t.Context(), stack(false))
			if err != nil {
				t.Fatal(err)
			}
			turn, err := batch.Give(t.Context(), "row-0")
			if err != nil {
				t.Fatal(err)
			}
			if err := lose(path + "-batches"); err != nil {
				t.Fatal(err)
			}
			_, err = batch.Give(t.Context(), "row-1")
			expectNamed(t, "give", err, logbook.ErrMoved, path+"-batches")
			expectNamed(t, "settle", batch.Settle(t.Context(), turn.Number, 0, true), logbook.ErrMoved, path+"-batches")
			next, err := book.OpenBatch(t.Context(), stack(false))
			if err != nil {
				t.Fatal(err)
			}
			if got, err := next.Give(t.Context(), "row-0"); err != nil || got.Number != turn.Number+1 {
				t.Errorf("the next program got %+v, %v", got, err)
			}
			closeAll(t, next, batch)
		})
	}
}

// What lies in the place of the file of batches is not followed and not written to.
func TestLinkInPlaceOfTheFileOfBatchesIsNotFollowed(t *testing.T) {
	path := bookPath(t)
	book := open(t, path)
	target := filepath.Join(t.TempDir(), "elsewhere")
	if err := os.Symlink(target, path+"-batches"); err != nil {
		t.Fatal(err)
	}
	_, err := book.OpenBatch(t.Context(), stack(false))
	expectNamed(t, "open", err, logbook.ErrDenied, path)
	if _, err := os.Lstat(target); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file was made at the end of the link: %v", err)
	}
}
