package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
)

// withCards holds emulated cards open as block devices, fresh ones each time. A rate of 0 is no limit.
func (b *workbench) withCards(ctx context.Context, cards int, writeRate, readRate int64, work func(devices []string) error) error {
	return b.withTraits(ctx, slices.Repeat([]cardlab.Traits{ofRates(writeRate, readRate)}, cards),
		func(_ []*cardlab.Card, devices []string) error { return work(devices) })
}

// ofRates are the traits of a card without faults, of these rates in MB/s.
func ofRates(writeRate, readRate int64) cardlab.Traits {
	return cardlab.Traits{WriteBytesPerSecond: writeRate * 1e6, ReadBytesPerSecond: readRate * 1e6}
}

// withTraits holds one card open for each of the traits, which it gives the size.
func (b *workbench) withTraits(
	ctx context.Context, traits []cardlab.Traits, work func(cards []*cardlab.Card, devices []string) error,
) (err error) {
	var cards []*cardlab.Card
	var devices []string
	for _, t := range traits {
		const room = 64 << 20 // a card is never just as large as its image
		t.SizeBytes = (b.imageBytes+room)>>20<<20 + 1<<20
		card, err := cardlab.New(t)
		if err != nil {
			return err
		}
		node, err := blockdev.Attach(ctx, card)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, node.Close()) }()
		cards, devices = append(cards, card), append(devices, node.Path())
	}
	return work(cards, devices)
}

// flashCommand is the program's command line for these devices.
func (b *workbench) flashCommand(ctx context.Context, image string, devices []string) *exec.Cmd {
	args := []string{"flash", image, "--yes", "--fixed-ok", "--json", "--logbook", filepath.Join(b.dir, "logbook.db")}
	for _, d := range devices {
		args = append(args, "--to", d)
	}
	return exec.CommandContext(ctx, b.cardwright, args...)
}

// proveOnAndOn proves a card again and again until it is stopped. The error is that of a proof that failed by itself.
func (b *workbench) proveOnAndOn(ctx context.Context, image, device string) (stop func() error) {
	proving, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { // ends with its context; awaited by stop
		var err error
		for err == nil {
			_, err = timed(exec.CommandContext(proving, b.cardwright, "check", device, "--image", image, "--json",
				"--logbook", filepath.Join(b.dir, "proofs.db")))
		}
		ended <- err
	}()
	return func() error {
		early := proving.Err() == nil && len(ended) > 0
		cancel()
		if err := <-ended; early {
			return err
		}
		return nil
	}
}

// A told is what the program told of one run.
type told struct {
	provenSeconds float64 // from the first byte written to the last block compared, of the slowest card
	maxRSSBytes   float64
}

// flash runs the program once, on fresh cards. A card that is not intact is an error.
func (b *workbench) flash(ctx context.Context, image string, cards int, writeRate, readRate int64) (t told, err error) {
	err = b.withCards(ctx, cards, writeRate, readRate, func(devices []string) error {
		var stdout, stderr bytes.Buffer
		cmd := b.flashCommand(ctx, image, devices)
		cmd.Stdout, cmd.Stderr = &stdout, &stderr
		if err := cmd.Start(); err != nil {
			return err
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }() // ends with the command; awaited by watch
		var err error
		if t.maxRSSBytes, err = watch(cmd.Process.Pid, ended); err != nil {
			return fmt.Errorf("%w: %s%s", err, &stderr, &stdout)
		}
		t.provenSeconds, err = slowest(stdout.Bytes())
		return err
	})
	return t, err
}

// slowest reads the time of the slowest card out of the program's document.
func slowest(document []byte) (seconds float64, err error) {
	var d struct {
		Cards []struct {
			Verdict string  `json:"verdict"`
			Proven  float64 `json:"time_to_proven_s"`
		} `json:"cards"`
	}
	if err := json.Unmarshal(document, &d); err != nil {
		return 0, err
	}
	for _, c := range d.Cards {
		if c.Verdict != "intact" {
			return 0, fmt.Errorf("a card is %s", c.Verdict)
		}
		seconds = max(seconds, c.Proven)
	}
	return seconds, nil
}

// watch waits for a process and gives the most memory it held. What the kernel tells of an ended process will not do: that
// starts with the size of the process that started it.
func watch(pid int, ended <-chan error) (maxRSSBytes float64, err error) {
	looking := time.NewTicker(20 * time.Millisecond)
	defer looking.Stop()
	for {
		select {
		case err := <-ended:
			return maxRSSBytes, err
		case <-looking.C:
		}
		maxRSSBytes = max(maxRSSBytes, peakRSS(pid))
	}
}

// peakRSS is the most memory that a process held so far; 0 where it has ended.
func peakRSS(pid int) (bytes float64) {
	status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid)) // gone once it has ended
	for line := range strings.Lines(string(status)) {
		var kib float64
		if n, _ := fmt.Sscanf(line, "VmHWM: %f kB", &kib); n == 1 {
			return kib * 1024
		}
	}
	return 0
}

// flashing is a side whose time is that of flash and proof as the program tells it, the clearing not counted.
func (b *workbench) flashing(name, image string, cards int, writeRate, readRate int64) side {
	return side{name, func(ctx context.Context) (float64, error) {
		t, err := b.flash(ctx, image, cards, writeRate, readRate)
		return t.provenSeconds, err
	}}
}

// command is the whole flash command, from its start to its end, on a card without a limit.
func (b *workbench) command(name string) side {
	return side{name, func(ctx context.Context) (seconds float64, err error) {
		err = b.withCards(ctx, 1, 0, 0, func(devices []string) (err error) {
			seconds, err = timed(b.flashCommand(ctx, b.image, devices))
			return err
		})
		return seconds, err
	}}
}

// shellsWay writes, flushes and reads back with general tools, and digests on both ways.
func (b *workbench) shellsWay() side {
	const name = "xz -dc -T2 | tee >(sha256sum) > DEV; blockdev --flushbufs DEV; head -c SIZE DEV | sha256sum"
	return side{name, func(ctx context.Context) (seconds float64, err error) {
		err = b.withCards(ctx, 1, 0, 0, func(devices []string) (err error) {
			device := devices[0]
			wrote, read := quoted(filepath.Join(b.dir, "wrote")), quoted(filepath.Join(b.dir, "read"))
			line := fmt.Sprintf("xz -dc -T2 %s | tee >(sha256sum >%s) > %s; blockdev --flushbufs %s; head -c %d %s | sha256sum >%s; cmp %s %s",
				quoted(b.image), wrote, device, device, b.imageBytes, device, read, wrote, read)
			seconds, err = shell(name, line).once(ctx)
			return err
		})
		return seconds, err
	}}
}
