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

// TestComparisonsRun carries out four of the comparisons on a real board image: of decoders, with a device's limit, with the
// shell, and of memory. It judges no figure.
func TestComparisonsRun(t *testing.T) {
	var document, progress strings.Builder
	err := run(t.Context(), []string{
		"-image", "../../shared/images/board-mbr.img.xz", "-rounds", "1", "-json",
		"-only", "xz -dc -T2|shell's way|memory at most, xz, several blocks, cards: 1|card of 90",
	}, &document, &progress)
	if err != nil {
		t.Fatalf("%v\n%s", err, &progress)
	}
	var told report
	if err := json.Unmarshal([]byte(document.String()), &told); err != nil {
		t.Fatal(err)
	}
	// The decoded size is as `xz -l` of xz 5.4.1 lists it.
	if len(told.Figures) != 4 || len(told.Machine) < 2 || !strings.Contains(told.Image, "415236096 bytes") {
		t.Fatalf("%s", &document)
	}
	for _, f := range told.Figures {
		sides := 2
		if f.Unit == "MiB" {
			sides = 0
		}
		if f.Value <= 0 || len(f.Sides) != sides {
			t.Errorf("%+v", f)
		}
		for _, s := range f.Sides {
			if s.Name == "" || s.Seconds <= 0 {
				t.Errorf("%s: %+v", f.Name, s)
			}
		}
	}
}
