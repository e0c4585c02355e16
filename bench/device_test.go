//go:build device

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// TestMain lets the test binary be the decoder that is timed as a command.
func TestMain(m *testing.M) {
	if len(os.Args) == 3 && os.Args[1] == decodeWord {
		if err := run(context.Background(), os.Args[1:], os.Stdout, os.Stderr); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// TestComparisonsRun carries all of them out on a small board image. It judges no figure.
func TestComparisonsRun(t *testing.T) {
	var document, progress strings.Builder
	err := run(t.Context(), []string{"-image", "../testdata/small-board.img.xz", "-rounds", "1", "-json"}, &document, &progress)
	if err != nil {
		t.Fatalf("%v\n%s", err, &progress)
	}
	var told report
	if err := json.Unmarshal([]byte(document.String()), &told); err != nil {
		t.Fatal(err)
	}
	// 4 of decoders, 6 of cards alone and together, 6 of a batch, 6 of memory, 6 of growth. The decoded size is as testdata/README.md
	// has it.
	if len(told.Figures) != 28 || len(told.Machine) < 2 || !strings.Contains(told.Image, "25165824 bytes") {
		t.Fatalf("%d figures\n%s", len(told.Figures), &document)
	}
	sides := map[string]int{"x": 2, "MiB": 0, "s/GB": 1, "s": 1}
	names := map[string]bool{}
	for _, f := range told.Figures {
		names[f.Name] = true
		if want, known := sides[f.Unit]; f.Value <= 0 || !known || len(f.Sides) != want {
			t.Errorf("%+v", f)
		}
		for _, s := range f.Sides {
			if s.Name == "" || s.Seconds <= 0 {
				t.Errorf("%s: %+v", f.Name, s)
			}
		}
	}
	if len(names) != len(told.Figures) {
		t.Errorf("%d figures have %d names", len(told.Figures), len(names))
	}
}
