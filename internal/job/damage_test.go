package job_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/cardlab"
	"cardwright/internal/logbook"
	"cardwright/verify"
)

func TestDamagedCardKeepsNoHeadAndNamesThePlace(t *testing.T) {
	run, card := flashOne(t, orchardImage(), cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 13 * mib}}})
	if run.Verdict != logbook.Damaged || run.Error != nil {
		t.Fatalf("%+v", run)
	}
	want := []verify.Damage{{OffsetBytes: 12 * mib, LengthBytes: block, Kind: verify.KindChanged, Partition: run.Proof.Damage[0].Partition}}
	if diff := cmp.Diff(want, run.Proof.Damage); diff != "" {
		t.Error(diff)
	}
	if name := run.Proof.Damage[0].Partition; !strings.Contains(name, "partition 1") || !strings.Contains(name, "orchard") {
		t.Errorf("the damage lies in %q", name)
	}
	if !headIsClear(card) {
		t.Error("the card kept a head")
	}
	if run.Proof.Bytes != 28*mib {
		t.Errorf("%d bytes were compared; the head was never written", run.Proof.Bytes)
	}
}

// The name comes from the image, even where the damage hides the file system's own superblock.
func TestDamageToTheSuperblockIsStillNamed(t *testing.T) {
	run, _ := flashOne(t, orchardImage(), cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 8*mib + 1024 + 0x38, Mask: 0xFF}}})
	if run.Verdict != logbook.Damaged || !strings.Contains(run.Proof.Damage[0].Partition, "orchard") {
		t.Errorf("%+v", run.Proof)
	}
}

func TestDamagedHeadIsTakenOffAgain(t *testing.T) {
	run, card := flashOne(t, orchardImage(), cardlab.Traits{Flips: []cardlab.Flip{{OffsetBytes: 600, OnRead: true}}})
	if run.Verdict != logbook.Damaged || !headIsClear(card) {
		t.Errorf("verdict %s, head clear %v", run.Verdict, headIsClear(card))
	}
}

func TestCardThatWrapsIsDamagedWithItsTrueSize(t *testing.T) {
	for _, trueBytes := range []int64{16 * mib, 28 * mib} { // the second loses one block, which shares the head's place
		run, card := flashOne(t, orchardImage(), cardlab.Traits{SizeBytes: 64 * mib, TrueSizeBytes: trueBytes, Beyond: cardlab.Wrap})
		if run.Verdict != logbook.Damaged || run.Proof.TrueSizeBytes == nil || *run.Proof.TrueSizeBytes != trueBytes {
			t.Errorf("true size %d: %s %+v", trueBytes, run.Verdict, run.Proof)
		}
		if !headIsClear(card) {
			t.Error("the card kept a head")
		}
	}
}
