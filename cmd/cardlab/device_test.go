//go:build device

package main // as in flags_test.go

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab/conform"
)

// TestRunHoldsACard plays a developer: takes the device from stdout, writes, pulls, plugs, and interrupts. The digest is
// computed apart.
func TestRunHoldsACard(t *testing.T) {
	const dataBytes, lieBytes = 1 << 20, 64 << 10
	ctx, interrupt := context.WithCancel(t.Context())
	defer interrupt()
	powers := make(chan os.Signal)
	folder := filepath.Join(t.TempDir(), "registers")
	out, stdout := io.Pipe()
	var stderr bytes.Buffer
	ended := make(chan int, 1)
	go func() {
		args := []string{"-size", "64MiB", "-lying-flush", "64KiB", "-digest-bytes", "2MiB", "-registers", folder}
		ended <- run(ctx, args, powers, stdout, &stderr)
		_ = stdout.Close()
	}()
	path, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatalf("no device: %v, exit code %d, %s", err, <-ended, stderr.String())
	}

	if name, err := os.ReadFile(filepath.Join(folder, "name")); err != nil || string(name) != "TESTA\n" {
		t.Errorf("the card's name is %q, %v", name, err)
	}

	file, err := os.OpenFile(strings.TrimSpace(path), os.O_RDWR|unix.O_DIRECT, 0)
	if err != nil {
		t.Fatal(err)
	}
	p := conform.Buffer(dataBytes)
	for i := range p {
		p[i] = byte(i%251) + 1
	}
	if _, err := file.WriteAt(p, 0); err != nil {
		t.Error(err)
	}
	if err := file.Sync(); err != nil {
		t.Error(err)
	}
	powers <- syscall.SIGUSR1
	powers <- syscall.SIGUSR2 // once taken, the pull before it is over
	if err := file.Close(); err != nil {
		t.Error(err)
	}
	interrupt()
	if code := <-ended; code != done {
		t.Errorf("exit code %d: %s", code, stderr.String())
	}
	medium := make([]byte, 2*dataBytes)
	copy(medium, p[:dataBytes-lieBytes]) // the rest was lost when the card was pulled
	for _, line := range []string{
		fmt.Sprintf("sha256 %x of the first 2097152 bytes", sha256.Sum256(medium)),
		"written 1048576 bytes at 0",
	} {
		if !strings.Contains(stderr.String(), line) {
			t.Errorf("%q is not in\n%s", line, stderr.String())
		}
	}
}
