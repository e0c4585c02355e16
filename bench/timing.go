package main

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"time"
)

// A side is one of several ways to do the same, or the only one where nothing is compared.
type side struct {
	name string
	// once does it and gives the seconds that count.
	once func(ctx context.Context) (seconds float64, err error)
}

// inTurn measures all sides in turn, so often, and gives the median of each.
func inTurn(ctx context.Context, rounds int, sides ...side) ([]median, error) {
	medians := make([]median, len(sides))
	for range rounds {
		for i, s := range sides {
			seconds, err := s.once(ctx)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", s.name, err)
			}
			medians[i].Name = s.name
			medians[i].All = append(medians[i].All, seconds)
		}
	}
	for i := range medians {
		medians[i].Seconds = middle(medians[i].All)
	}
	return medians, nil
}

// A median is what one side took, in seconds.
type median struct {
	Name    string    `json:"name"`
	Seconds float64   `json:"median_s"`
	All     []float64 `json:"all_s"`
}

func middle(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// shell times a line of bash, from its start to its end.
func shell(name, line string) side {
	return side{name, func(ctx context.Context) (float64, error) {
		return timed(bash(ctx, line))
	}}
}

// bash is a line that ends with its first command that fails, and with all it started where the context ends.
func bash(ctx context.Context, line string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, "bash", "-e", "-o", "pipefail", "-c", line)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	return cmd
}

// timed runs a command to its end. What it prints is told only where it fails.
func timed(cmd *exec.Cmd) (seconds float64, err error) {
	began := time.Now()
	out, err := cmd.CombinedOutput()
	seconds = time.Since(began).Seconds()
	if err != nil {
		return 0, errors.Join(fmt.Errorf("%s: %w", strings.Join(cmd.Args, " "), err), errors.New(string(out)))
	}
	return seconds, nil
}
