package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// Help is read on terminals of 80 columns.
func TestHelpFitsTheTerminal(t *testing.T) {
	commands := 0
	eachCommand((&program{}).root(), func(cmd *cobra.Command) {
		commands++
		args := append(strings.Fields(cmd.CommandPath())[1:], "--help")
		var stdout, stderr bytes.Buffer
		if code := run(t.Context(), args, strings.NewReader(""), &stdout, &stderr); code != 0 || stderr.Len() > 0 {
			t.Errorf("%q: exit code %d, %s", args, code, &stderr)
		}
		for line := range strings.Lines(stdout.String()) {
			if len(strings.TrimSuffix(line, "\n")) > 80 {
				t.Errorf("%q: %q", args, line)
			}
		}
	})
	if commands < 9 {
		t.Errorf("only %d commands were asked", commands)
	}
}
