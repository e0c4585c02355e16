package job_test

import (
	"bytes"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/flash"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// TestIntactCardLeavesItsImprint takes the same of what is really on the card, and of the card once it was written to.
func TestIntactCardLeavesItsImprint(t *testing.T) {
	image := orchardImage()
	run, card := flashOne(t, image, cardlab.Traits{})
	if run.Verdict != logbook.Intact || run.Imprint == nil {
		t.Fatalf("%s, %+v", run.Verdict, run.Imprint)
	}
	truth := imprintOfTruth(t, card)
	if diff := cmp.Diff(truth, run.Imprint); diff != "" {
		t.Errorf("the imprint is not the card's: %s", diff)
	}
	if v := run.Imprint.Volumes; len(v) != 1 || v[0].Number != 1 || v[0].Label != "orchard" {
		t.Errorf("%+v", v)
	}
	table, err := job.TableOn(card)
	if err != nil {
		t.Fatal(err)
	}
	start := int64(table.Partitions[0].StartLBA) * table.SectorBytes
	front := flash.AlignedBuffer(4096)
	if _, err := card.ReadAt(front, start); err != nil {
		t.Fatal(err)
	}
	front[1024+0x34]++ // the ext2/3/4 superblock's count of mounts
	if _, err := card.WriteAt(front, start); err != nil {
		t.Fatal(err)
	}
	if changes := run.Imprint.Changes(imprintOfTruth(t, card)); len(changes) != 1 {
		t.Errorf("after a mount: %q", changes)
	}
}

func imprintOfTruth(t *testing.T, card *cardlab.Card) *partition.Imprint {
	t.Helper()
	table, err := job.TableOn(card)
	if err != nil {
		t.Fatal(err)
	}
	imprint, err := partition.TakeImprint(bytes.NewReader(card.Truth().Read(0, int(card.SizeBytes()))), table)
	if err != nil {
		t.Fatal(err)
	}
	return imprint
}

func TestOnlyAFlashThatIsIntactLeavesAnImprint(t *testing.T) {
	image := orchardImage()
	bad, _ := flashOne(t, image, cardlab.Traits{TrueSizeBytes: 6 * mib})
	if bad.Verdict == logbook.Intact || bad.Imprint != nil {
		t.Errorf("%s with the imprint %+v", bad.Verdict, bad.Imprint)
	}
	_, card := flashOne(t, image, cardlab.Traits{})
	checked := job.Check(t.Context(), held(image), job.Target{Card: card, Device: "lab"}, job.Options{}).Cards[0]
	if checked.Verdict != logbook.Intact || checked.Imprint != nil {
		t.Errorf("%s with the imprint %+v", checked.Verdict, checked.Imprint)
	}
}

// TestImprintThatFailsIsAFinding lets the last read of a flash fail: the card is intact all the same.
func TestImprintThatFailsIsAFinding(t *testing.T) {
	image := orchardImage()
	_, sound := flashOne(t, image, cardlab.Traits{})
	last := sound.Counts().Operations - 1
	to, card := target(t, cardlab.Traits{})
	card.Inject(cardlab.FailAt(last, cardlab.FaultError))
	run := job.Flash(t.Context(), held(image), []job.Target{to}, job.Options{}).Cards[0]
	told := slices.ContainsFunc(run.Findings, func(f partition.Finding) bool {
		return f.Code == "imprint-not-taken" && f.Severity == partition.Warning && f.Evidence != ""
	})
	if run.Verdict != logbook.Intact || run.Error != nil || run.Imprint != nil || !told {
		t.Errorf("%s, %+v, %+v, %+v", run.Verdict, run.Error, run.Imprint, run.Findings)
	}
}
