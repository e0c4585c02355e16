package main

import (
	"bytes"
	"strings"
	"testing"

	"cardwright/internal/device"
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
