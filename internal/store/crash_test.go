package store_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash/source"
	"cardwright/internal/store"
)

// The test binary plays another program: with the first variable set it carries out a role and ends.
const (
	roleVariable  = "STORE_TEST_ROLE"
	dirVariable   = "STORE_TEST_DIR"
	imageVariable = "STORE_TEST_IMAGE"
)

func TestMain(m *testing.M) {
	if role := os.Getenv(roleVariable); role != "" {
		if err := play(context.Background(), role, os.Getenv(dirVariable), os.Getenv(imageVariable)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// play prepares an image and is killed ahead of the nth change to the store's files, where the role is a number, or prepares
// and removes it for ever.
func play(ctx context.Context, role, dir, image string) error {
	s, err := store.Open(ctx, dir, store.Options{Now: later})
	if err != nil {
		return err
	}
	if at, err := strconv.Atoi(role); err == nil {
		calls := 0
		s.Before(func(string) error {
			if calls == at {
				_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
				select {} // until that comes
			}
			calls++
			return nil
		})
		p, err := s.Prepare(ctx, image, source.Options{}, nil)
		if err != nil {
			return err
		}
		return errors.Join(p.Close(), s.Remove(ctx, p.Key()))
	}
	for {
		p, err := s.Prepare(ctx, image, source.Options{}, nil)
		if err != nil {
			return err
		}
		fmt.Println("prepared")
		for range 4 { // a while in which the entry is there
			image, err := p.Image(ctx)
			if err != nil {
				return err
			}
			if _, err := io.Copy(io.Discard, image); err != nil {
				return err
			}
		}
		if err := errors.Join(p.Close(), s.Remove(ctx, p.Key())); err != nil {
			return err
		}
		fmt.Println("removed")
	}
}

// actor prepares the test binary for a role.
func actor(t *testing.T, role, dir, image string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "/proc/self/exe")
	cmd.Env = append(os.Environ(), roleVariable+"="+role, dirVariable+"="+dir, imageVariable+"="+image)
	cmd.Stderr = os.Stderr
	return cmd
}

// wasKilled tells a killed program from one that ended well, and accepts nothing else.
func wasKilled(t *testing.T, err error) bool {
	t.Helper()
	if err == nil {
		return false
	}
	var ended *exec.ExitError
	if !errors.As(err, &ended) || ended.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		t.Fatalf("the other program was not killed: %v", err)
	}
	return true
}

// small is an image that takes few changes to the store: a block and a bit, with a hole.
func small() []byte {
	image := board(9)[:4<<20+4096]
	clear(image[1<<20 : 3<<20])
	return image
}

// expectNoneOrWhole wants a store, whatever happened to it, to hold the image whole or nothing, and to prepare it then.
func expectNoneOrWhole(t *testing.T, dir, name string, image []byte) (was bool) {
	t.Helper()
	was = len(entries(t, open(t, dir, store.Options{}))) > 0
	if was {
		expectOnly(t, dir, image)
	} else {
		expectOnly(t, dir)
	}
	s := open(t, dir, store.Options{Damaged: func(err error) { t.Error(err) }})
	p, err := s.Prepare(t.Context(), name, source.Options{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer mustClose(t, p)
	if got, err := content(t, p); err != nil || !bytes.Equal(got, image) {
		t.Errorf("other bytes, or %v", err)
	}
	return was
}

// A program that is killed ahead of any change to the store's files leaves no entry or a whole one, and nothing else.
func TestKilledAheadOfAnyChangeLeavesNoneOrWhole(t *testing.T) {
	image := small()
	name := written(t, "board.img", image)
	whole, none := 0, 0
	for at := 0; ; at++ {
		dir := filepath.Join(t.TempDir(), "store")
		if !wasKilled(t, actor(t, strconv.Itoa(at), dir, name).Run()) {
			break
		}
		if expectNoneOrWhole(t, dir, name, image) {
			whole++
		} else {
			none++
		}
		if t.Failed() {
			t.Fatalf("killed ahead of change %d", at)
		}
	}
	t.Logf("%d kills left no entry, %d a whole one", none, whole)
	if none < 10 || whole < 4 {
		t.Errorf("%d kills left no entry, %d a whole one: the test has shown little", none, whole)
	}
}

// The same where the program is killed at any moment.
func TestKilledAtAnyMomentLeavesNoneOrWhole(t *testing.T) {
	kills := 20
	if testing.Short() {
		kills = 10
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	image := small()
	name, dir := written(t, "board.img", image), filepath.Join(t.TempDir(), "store")
	none, leftovers := 0, 0
	for range kills {
		cmd := actor(t, "for ever", dir, name)
		stdout, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		scanner := bufio.NewScanner(stdout)
		for range 1 + random.IntN(2) {
			if !scanner.Scan() {
				t.Fatal("the other program ended")
			}
		}
		timer := time.AfterFunc(time.Duration(random.IntN(60_000))*time.Microsecond, func() { _ = cmd.Process.Kill() })
		for scanner.Scan() {
			continue
		}
		timer.Stop()
		if !wasKilled(t, cmd.Wait()) {
			t.Fatal("the other program ended")
		}
		if left, err := filepath.Glob(filepath.Join(dir, ".cardwright-work-*")); err != nil || len(left) > 0 {
			leftovers++
		}
		if !expectNoneOrWhole(t, dir, name, image) {
			none++
		}
	}
	t.Logf("%d of %d kills left no entry, %d hit one that was being made or removed", none, kills, leftovers)
	if leftovers == 0 {
		t.Error("no kill hit an entry that was being made or removed: the test has shown nothing")
	}
}

// A disk that is full, at whatever change to the store's files, is told as such and leaves nothing, or is no failure at all.
func TestFullDiskAtAnyChangeLeavesNoneOrWhole(t *testing.T) {
	image := small()
	name := written(t, "board.img", image)
	failures := 0
	for at := 0; ; at++ {
		dir := filepath.Join(t.TempDir(), "store")
		s := open(t, dir, store.Options{})
		calls := 0
		s.Before(func(string) error {
			calls++
			if calls-1 == at {
				return unix.ENOSPC
			}
			return nil
		})
		p, err := s.Prepare(t.Context(), name, source.Options{}, nil)
		switch {
		case err == nil:
			mustClose(t, p)
		case !errors.Is(err, store.ErrNoRoom):
			t.Errorf("change %d: %v", at, err)
		default:
			failures++
			if all := entries(t, s); len(all) > 0 {
				t.Errorf("change %d failed, and left %+v", at, all)
			}
		}
		expectNoneOrWhole(t, dir, name, image)
		if calls <= at {
			break
		}
	}
	if failures < 10 {
		t.Errorf("only %d changes failed", failures)
	}
}

// Whatever an entry is made of is on the medium before the entry has its name, and the name is before anybody hears of it.
func TestEntryIsOnTheMediumBeforeItHasItsName(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	s := open(t, dir, store.Options{})
	var calls []string
	s.Before(func(call string) error {
		calls = append(calls, call)
		return nil
	})
	p := prepare(t, s, written(t, "board.img", small()), source.Options{})
	named := slices.Index(calls, "rename "+p.Key())
	if named < 0 {
		t.Fatalf("the entry was never named: %q", calls)
	}
	last := func(call string) int {
		for i, c := range slices.Backward(calls[:named]) {
			if strings.HasPrefix(c, call) {
				return i
			}
		}
		return -1
	}
	for _, file := range []string{"image.raw", "manifest.json", "seen.json"} {
		if last("write "+file) < 0 || last("sync "+file) < last("write "+file) || last("sync "+file) < last("size "+file) {
			t.Errorf("%s is not on the medium when the entry is named: %q", file, calls)
		}
		if last("sync .cardwright-work-") < last("create "+file) {
			t.Errorf("the folder of %s is not on the medium when the entry is named: %q", file, calls)
		}
	}
	if !slices.Contains(calls[named:], "sync store") {
		t.Errorf("the entry's name is not on the medium: %q", calls)
	}
}
