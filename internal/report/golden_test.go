package report_test

import (
	"bytes"
	"flag"
	"io"
	"maps"
	"os"
	"path/filepath"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/internal/report"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the expected output anew; read every changed line before you keep it")

func TestMain(m *testing.M) {
	flag.Parse()
	time.Local = time.FixedZone("", 2*60*60) // local times are printed, and must be the same on every machine
	os.Exit(m.Run())
}

func TestOutputIsAsAgreed(t *testing.T) {
	text := func(d report.Document) func(io.Writer) error {
		return func(w io.Writer) error { return report.Text(w, d) }
	}
	unpublished := document(intact("node-07"))
	unpublished.Image.Expected = source.Absent
	interrupted := gone("")
	interrupted.Error = &logbook.Failure{
		Step: flash.StepProof, OffsetBytes: 8 << 20, Cause: "interrupted", Class: logbook.ClassInterrupted,
	}
	var trace []flash.Sample
	for i := range 99 {
		trace = append(trace, flash.Sample{LengthBytes: flash.BlockBytes, Busy: time.Duration(150+i) * time.Millisecond})
	}
	record := logbook.Record{Run: slow("node-09"), Image: image()}
	records := []logbook.Record{record, {Run: gone("a label that is too long"), Image: image()}, {Run: checked("")}, {Run: sparing("node-10")}}
	stamp := report.Stamp{ProgramVersion: "0.1.0", StartedAt: startedAt()}
	cases := map[string]func(io.Writer) error{
		"intact.txt":      text(document(intact("node-07"))),
		"unpublished.txt": text(unpublished),
		"wrapped.txt":     text(document(wrapped("node-08"))),
		"gone.txt":        text(document(gone("node-11"))),
		"interrupted.txt": text(document(interrupted)),
		"checked.txt":     text(document(checked("node-07"))),
		"refused.txt":     text(document(refused())),
		"slow.txt":        text(document(slow("node-09"))),
		"sparing.txt":     text(document(sparing("node-10"))),
		"belowclaim.txt":  text(document(belowClaim("node-12"))),
		"several.txt": text(document(intact("node-01"), intact("node-02"), gone("node-11"), slow("node-09"),
			intact("node-03"), wrapped("node-08"))),
		"mbr.txt":     func(w io.Writer) error { return report.Table(w, mbr()) },
		"gpt.txt":     func(w io.Writer) error { return report.Table(w, gpt()) },
		"records.txt": func(w io.Writer) error { return report.Records(w, records) },
		"record.txt":  func(w io.Writer) error { return report.Record(w, &record, trace) },
		"slowbus.txt": func(w io.Writer) error {
			return report.Record(w, &logbook.Record{Run: onSlowBus("node-13"), Image: image()}, nil)
		},
		"claim.txt": func(w io.Writer) error {
			return report.Record(w, &logbook.Record{Run: belowClaim("node-12"), Image: image()}, nil)
		},
		"wrapped.json": func(w io.Writer) error { return report.JSON(w, document(wrapped("node-08"))) },
		"mbr.json":     func(w io.Writer) error { return report.TableJSON(w, stamp, mbr()) },
	}
	maps.Copy(cases, pagesOfCards(stamp))
	for name, print := range cases {
		t.Run(name, func(t *testing.T) {
			var got bytes.Buffer
			if err := print(&got); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join("testdata", name)
			if *update {
				if err := os.WriteFile(path, got.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got.String()); diff != "" {
				t.Errorf("the output differs (-want +got):\n%s", diff)
			}
		})
	}
}

// pagesOfCards tell what cards are, and how large.
func pagesOfCards(stamp report.Stamp) map[string]func(io.Writer) error {
	capacityText := func(d report.CapacityDocument) func(io.Writer) error {
		return func(w io.Writer) error { return report.CapacityText(w, d) }
	}
	emmc := &report.Identity{Device: "copied", Card: module()}
	makers := []logbook.Maker{{Kind: logbook.KindSD, ManufacturerID: 1, Name: "Example Cards"}}
	return map[string]func(io.Writer) error{
		"identity.txt":  func(w io.Writer) error { return report.WriteIdentity(w, identified(), false) },
		"fields.txt":    func(w io.Writer) error { return report.WriteIdentity(w, emmc, true) },
		"hidden.txt":    func(w io.Writer) error { return report.WriteIdentity(w, hidden(), true) },
		"hidden.json":   func(w io.Writer) error { return report.IdentityJSON(w, stamp, hidden()) },
		"sound.txt":     capacityText(sound()),
		"short.txt":     capacityText(short()),
		"rotten.txt":    capacityText(rotten()),
		"stopped.txt":   capacityText(stopped()),
		"short.json":    func(w io.Writer) error { return report.CapacityJSON(w, short()) },
		"cards.txt":     func(w io.Writer) error { return report.Cards(w, []logbook.CardRecord{record(), unflashed()}) },
		"cardpage.txt":  func(w io.Writer) error { return report.WriteCardPage(w, cardPage()) },
		"unflashed.txt": func(w io.Writer) error { return report.WriteCardPage(w, &report.CardPage{Card: unflashed()}) },
		"makers.txt":    func(w io.Writer) error { return report.Makers(w, makers) },
	}
}
