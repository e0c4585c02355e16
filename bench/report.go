package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"

	"golang.org/x/sys/unix"
)

// A report is what one run of the program found.
type report struct {
	Machine []string `json:"machine"`
	Image   string   `json:"image"`
	Rounds  int      `json:"rounds"`
	Figures []figure `json:"figures"`
}

// A figure is one ratio, or one amount, with what it was made from.
type figure struct {
	Name  string   `json:"name"`
	Value float64  `json:"value"`
	Unit  string   `json:"unit"` // "x" for a ratio
	Goal  string   `json:"goal"` // in words; empty where there is none
	Sides []median `json:"sides"`
}

func (r report) write(w io.Writer, asJSON bool) error {
	if asJSON {
		return r.writeJSON(w)
	}
	return r.writeText(w)
}

func (r report) writeJSON(w io.Writer) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	return encoder.Encode(r)
}

func (r report) writeText(w io.Writer) error {
	var text strings.Builder
	fmt.Fprintf(&text, "Machine  %s\nImage    %s\nMedians of %d, of decoders of %d\n\n", strings.Join(r.Machine, "\n         "), r.Image, r.Rounds, decoderRounds*r.Rounds)
	for _, f := range r.Figures {
		fmt.Fprintf(&text, "%8.2f %-5s %s", f.Value, f.Unit, f.Name)
		if f.Goal != "" {
			fmt.Fprintf(&text, " (goal: %s)", f.Goal)
		}
		text.WriteString("\n")
		for _, s := range f.Sides {
			fmt.Fprintf(&text, "               %8.3f s  %s\n", s.Seconds, s.Name)
		}
	}
	_, err := io.WriteString(w, text.String())
	return err
}

// machine tells what the figures depend on, as far as the system tells it.
func machine() []string {
	lines := []string{fmt.Sprintf("%s, %d processors used, %s/%s", runtime.Version(), runtime.GOMAXPROCS(0), runtime.GOOS, runtime.GOARCH)}
	var name unix.Utsname
	if unix.Uname(&name) == nil {
		lines = append(lines, "kernel "+unix.ByteSliceToString(name.Release[:]))
	}
	info, _ := os.ReadFile("/proc/cpuinfo") // tells nothing where it cannot be read
	for line := range strings.Lines(string(info)) {
		if key, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(key) == "model name" {
			return append(lines, strings.TrimSpace(value))
		}
	}
	return lines
}
