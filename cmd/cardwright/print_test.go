package main

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
)

// What the operator or a downloaded file calls itself must not steer the terminal, in complaints as little as in reports.
func TestComplaintsHoldNoControlCharacters(t *testing.T) {
	name := filepath.Join(t.TempDir(), "card\x1b[2J\x07.img")
	for _, args := range [][]string{
		{"flash", name, "--to", name, "--yes"},
		{"flash", "x.img", "--to", name, "--yes"},
		{"check", name, "--image", name},
		{"inspect", name},
		{"logbook", "list", "--logbook", name},
		{"logbook", "list", "--logbook", t.TempDir() + "/\x1b[2J"},
		{"flash", "x.img", "--to", "y.img", "--sha256", name},
		{name},
	} {
		var stdout, stderr bytes.Buffer
		run(t.Context(), args, strings.NewReader(""), &stdout, &stderr)
		if told := stdout.String() + stderr.String(); strings.ContainsAny(told, "\x1b\x07") || told == "" {
			t.Errorf("%q: %q", args, told)
		}
	}
}
