//go:build device

// Package e2e_test runs the real program against real block devices of the kernel that emulated cards stand behind. The
// program sees nothing but a disk; the tests know what the card holds, and compare with what independent tools say.
//
// It needs root, FUSE, loop devices, the usual disk tools, and the board images in shared/images beside the checkout.
// What is missing fails the tests.
//
// Read next: a test in flash_test.go, then seat (seat_test.go) and start (below).
package e2e_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// programPath is the program under test. TestMain builds it once, without cgo, as it is released.
var programPath string

func TestMain(m *testing.M) {
	os.Exit(buildAndRun(m))
}

func buildAndRun(m *testing.M) int {
	dir, err := os.MkdirTemp("", "e2e")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	defer os.RemoveAll(dir)
	programPath = filepath.Join(dir, "cardwright")
	build := exec.Command("go", "build", "-o", programPath, "../cmd/cardwright")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "the program does not build: %v\n%s", err, out)
		return 1
	}
	// One test runs the program as another user.
	if err := os.Chmod(dir, 0o755); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return m.Run()
}

// A command is one call of the program.
type command struct {
	args    []string
	logbook string    // a file of the test's own if empty
	stdin   io.Reader // nothing if nil
	asUser  uint32    // root if 0
}

// A process is the program as it runs.
type process struct {
	t           *testing.T
	cmd         *exec.Cmd
	stdout      watched
	stderr      watched
	began       time.Time
	waited      chan struct{} // closed when the process has ended and all below is settled
	waitErr     error
	maxRSSBytes int64
}

// A result is what a call of the program came to.
type result struct {
	code          int
	stdout        string
	stderr        string
	took          time.Duration
	maxRSSBytes   int64
	endedBySignal bool
}

// start starts the program without a terminal, so that it can ask nobody.
func start(t *testing.T, c command) *process {
	t.Helper()
	p := newProcess(t, c)
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	if c.asUser != 0 {
		p.cmd.SysProcAttr.Credential = &syscall.Credential{Uid: c.asUser, Gid: c.asUser}
	}
	p.cmd.Stdin, p.cmd.Stdout, p.cmd.Stderr = c.stdin, &p.stdout, &p.stderr
	p.launch()
	return p
}

func newProcess(t *testing.T, c command) *process {
	t.Helper()
	if c.logbook == "" {
		c.logbook = filepath.Join(t.TempDir(), "logbook.db")
	}
	p := &process{t: t, cmd: exec.Command(programPath, c.args...), waited: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), "CARDWRIGHT_LOGBOOK="+c.logbook)
	return p
}

// launch starts the process and sees to it that none is left when the test is over.
func (p *process) launch() {
	p.t.Helper()
	p.began = time.Now()
	if err := p.cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() { // ends with the process; awaited by watchMemory
		defer close(ended)
		p.waitErr = p.cmd.Wait()
	}()
	go func() { // ends with the process; awaited by wait and by the cleanup
		defer close(p.waited)
		p.watchMemory(ended)
	}()
	p.t.Cleanup(func() {
		_ = p.cmd.Process.Kill() // fails where the process has ended, as it should have
		<-p.waited
	})
}

// watchMemory keeps the most memory that the process ever held, which the kernel tells while it runs. What it tells of an
// ended process will not do: that starts with the size of the process that started it.
func (p *process) watchMemory(ended <-chan struct{}) {
	looking := time.NewTicker(20 * time.Millisecond)
	defer looking.Stop()
	for {
		select {
		case <-ended:
			return
		case <-looking.C:
		}
		status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid)) // gone once it has ended
		for line := range strings.Lines(string(status)) {
			var kib int64
			if n, _ := fmt.Sscanf(line, "VmHWM: %d kB", &kib); n == 1 {
				p.maxRSSBytes = max(p.maxRSSBytes, kib<<10)
			}
		}
	}
}

// longestRun is more than any call here may take, on a machine that others use too.
const longestRun = 3 * time.Minute

// wait waits for the program's end.
func (p *process) wait() result {
	p.t.Helper()
	select {
	case <-p.waited:
	case <-time.After(longestRun):
		p.t.Fatalf("%v does not end; so far:\n%s%s", p.cmd.Args, p.stdout.text(), p.stderr.text())
	}
	state := p.cmd.ProcessState
	return result{
		code: state.ExitCode(), stdout: p.stdout.text(), stderr: p.stderr.text(), took: time.Since(p.began),
		maxRSSBytes: p.maxRSSBytes, endedBySignal: !state.Exited(),
	}
}

// run runs the program to its end and expects an exit code.
func run(t *testing.T, wantCode int, args ...string) result {
	t.Helper()
	return runCommand(t, wantCode, command{args: args})
}

func runCommand(t *testing.T, wantCode int, c command) result {
	t.Helper()
	r := start(t, c).wait()
	r.expectCode(t, wantCode)
	return r
}

func (r result) expectCode(t *testing.T, want int) {
	t.Helper()
	if r.code != want {
		t.Fatalf("exit code %d, want %d\n%s%s", r.code, want, r.stdout, r.stderr)
	}
}

// decode reads the one document on standard output.
func decode[T any](t *testing.T, text string) *T {
	t.Helper()
	decoder := json.NewDecoder(strings.NewReader(text))
	decoder.DisallowUnknownFields() // a field that is not written down in contract_test.go is promised to nobody
	document := new(T)
	if err := decoder.Decode(document); err != nil {
		t.Fatalf("standard output is no JSON document: %v\n%s", err, text)
	}
	if rest, _ := io.ReadAll(io.MultiReader(decoder.Buffered())); len(bytes.TrimSpace(rest)) > 0 {
		t.Errorf("something follows the document: %q", rest)
	}
	return document
}

// tool runs an independent program and gives what it prints.
func tool(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	return toolWith(t, nil, name, args...)
}

// toolWith runs an independent program with something on its standard input.
func toolWith(t *testing.T, input []byte, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), name, args...)
	cmd.Stdin = bytes.NewReader(input)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s%s", name, args, err, out, &complaint)
	}
	return out
}
