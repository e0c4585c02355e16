//go:build device

package device_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/cardlab/blockdev"
	"cardwright/internal/device"
)

// TestLiveListDoesNotWaitForASilentDisk lists a disk that leaves every call unanswered, and one that does not.
func TestLiveListDoesNotWaitForASilentDisk(t *testing.T) {
	sound, _ := attach(t)
	card, err := cardlab.New(cardlab.Traits{SizeBytes: 64 << 20, SilentAfter: cardlab.After{WrittenBytes: 1 << 20}})
	if err != nil {
		t.Fatal(err)
	}
	silent, err := blockdev.Attach(t.Context(), card)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := silent.Close(); err != nil {
			t.Error(err)
		}
	})
	opened, err := device.Open(t.Context(), silent.Path(), fixed)
	if err != nil {
		t.Fatal(err)
	}
	written := make(chan struct{})
	go func() { // ends with Release
		defer close(written)
		_, _ = opened.WriteAt(flash.AlignedBuffer(flash.BlockBytes), 0) // comes to nothing or not: it hangs until the test is over
		_ = opened.Close()
	}()
	t.Cleanup(func() {
		card.Release()
		<-written
	})
	for deadline := time.Now().Add(time.Minute); card.Counts().WrittenBytes < 1<<20; {
		if time.Now().After(deadline) {
			t.Fatal("the card took nothing")
		}
		<-time.After(time.Millisecond)
	}
	const patience = 500 * time.Millisecond
	began := time.Now()
	all, err := device.List(t.Context(), device.Roots{}, patience)
	if took := time.Since(began); err != nil || took > 20*patience {
		t.Fatalf("it took %v: %v", took, err)
	}
	of := func(node string) *device.Listing {
		i := slices.IndexFunc(all, func(l device.Listing) bool { return l.Node == node })
		if i < 0 {
			t.Fatalf("%s is not listed", node)
		}
		return &all[i]
	}
	if l := of(silent.Path()); l.Contents != "unreadable" || !strings.Contains(l.Unreadable, "did not answer for 500ms") || l.SizeBytes != 64<<20 {
		t.Errorf("the silent disk: %+v", l)
	}
	if l := of(sound); l.Unreadable != "" || l.Contents != "nothing, as far as its first 1 MiB tells" {
		t.Errorf("the sound disk: %+v", l)
	}
}
