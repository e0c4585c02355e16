package device_test

import (
	"errors"
	"testing"

	"cardwright/internal/device"
)

// A place is one program's at a time, under whatever node its reader stands; another place is another's.
func TestPlaceIsClaimedOnce(t *testing.T) {
	readers := machine(t,
		"disk sdb 8:16 "+usbFolder+"sdb size=62333952 removable=1 diskseq=20",
		"disk sdc 8:32 "+usbOther+"sdc size=62333952 removable=1 diskseq=21")
	first, again, other := bind(t, readers, sdb), bind(t, readers, sdb), bind(t, readers, sdc)
	claim, err := first.Claim()
	if err != nil {
		t.Fatal(err)
	}
	_, err = again.Claim()
	refusedFor(t, err, device.ErrBusy, "another batch works in this reader")
	beside, err := other.Claim()
	if err != nil {
		t.Fatalf("another place: %v", err)
	}
	if err := errors.Join(beside.Close(), claim.Close()); err != nil {
		t.Fatal(err)
	}
	claim, err = again.Claim()
	if err != nil {
		t.Fatalf("a place that was let go: %v", err)
	}
	if err := claim.Close(); err != nil {
		t.Fatal(err)
	}
}
