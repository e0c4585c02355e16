package main

import (
	"bytes"
	"strings"
	"testing"

	"cardwright/internal/device"
	"cardwright/internal/identity"
)

// The operator sees what a card is reached over where the kernel tells it, and no line of it else.
func TestCardsTellTheBus(t *testing.T) {
	known := device.Description{
		Node: "/dev/mmcblk0", SizeBytes: 7_744_782_336, Transport: device.TransportMMC,
		Bus: device.Bus{Mode: "sd high-speed", ClockHz: 50e6, WidthBits: 4, BytesPerSecond: 25e6},
	}
	unknown := device.Description{Node: "/dev/sdb", SizeBytes: 7_744_782_336, Transport: device.TransportUSB}
	for d, want := range map[*device.Description]bool{&known: true, &unknown: false} {
		var text bytes.Buffer
		if err := cardsText(&text, []device.Listing{{Description: *d}}); err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(text.String(), "    bus             sd high-speed, 25.0 MB/s at the most\n"); got != want {
			t.Errorf("%s", &text)
		}
	}
}

// Before a batch begins the operator sees what its cards are held against.
func TestBatchTellsWhatIsPrintedOnItsCards(t *testing.T) {
	for rated, want := range map[identity.Claims]bool{{SpeedClass: 10, UHSGrade: 1}: true, {}: false} {
		var text bytes.Buffer
		b := &batching{ratedFlag: ratedFlag{rated: rated}}
		b.caution(&text, nil)
		if got := strings.Contains(text.String(), "On every card is printed: C10 U1.\n"); got != want {
			t.Errorf("%+v: %s", rated, &text)
		}
	}
}
