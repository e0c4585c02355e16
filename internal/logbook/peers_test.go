package logbook_test

import (
	"fmt"
	"testing"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"

	"github.com/google/go-cmp/cmp"
)

// peerCase puts one run into a logbook and asks whether another run is held against it.
type peerCase struct {
	name     string
	earlier  func(run *logbook.Run) // before it begins
	outcome  func(run *logbook.Run) // before it is finished
	image    string                 // the image of the earlier run, else that of the asking one
	noTrace  bool
	now      func(run *logbook.Run)
	nowImage *source.Facts // what the asking run knows of its image
	peer     bool
}

func TestPeersAreComparableCards(t *testing.T) {
	mine := cid("CARDA", 0x10, 1)
	asCID := func(value string) func(*logbook.Run) {
		return func(r *logbook.Run) { r.Label, r.Conditions.CardRegisterCID = "", value }
	}
	byCID := func(c peerCase) peerCase {
		c.now = func(r *logbook.Run) { r.Conditions.CardRegisterCID = mine }
		c.image = "another image"
		return c
	}
	packedOnly, nothing, renamed := begunImage("x"), source.Facts{Name: "x", Format: source.FormatXZ}, endedImage("x")
	packedOnly.Name, packedOnly.PackedSHA256 = "renamed", digest("packed x")
	renamed.Name, renamed.PackedSHA256 = "renamed", digest("repacked")
	otherSize := begunImage("x")
	otherSize.PackedBytes++
	cases := []peerCase{
		{name: "same image by name and size", peer: true},
		{name: "same image by packed digest", nowImage: &packedOnly, peer: true},
		{name: "same image by its digest", nowImage: &renamed, peer: true},
		{name: "another image", image: "y", peer: false},
		{name: "same name, another size", nowImage: &otherSize, peer: false},
		{name: "same name, size unknown", nowImage: &nothing, peer: false},
		{name: "another bay", earlier: func(r *logbook.Run) { r.Conditions.PortPath = "1-1.3" }, peer: false},
		{name: "same port path under another node", earlier: func(r *logbook.Run) { r.Device = "/dev/sdz" }, peer: true},
		{
			name: "same node, no port path", earlier: func(r *logbook.Run) { r.Conditions.PortPath = "" },
			now: func(r *logbook.Run) { r.Conditions.PortPath = "" }, peer: true,
		},
		{name: "the same card", earlier: func(r *logbook.Run) { r.Label = "now" }, peer: false},
		{name: "neither CID nor label", earlier: func(r *logbook.Run) { r.Label = "" }, peer: false},
		{name: "known by its CID alone", earlier: asCID(cid("CARDB", 0x10, 9)), peer: true},
		{name: "a check", earlier: func(r *logbook.Run) { r.Operation = logbook.OperationCheck }, peer: false},
		{name: "unfinished", outcome: func(r *logbook.Run) { r.Verdict = logbook.Unfinished }, peer: false},
		{name: "limited by its source", outcome: func(r *logbook.Run) { r.Conditions.SourceWasTheLimit = true }, peer: false},
		{name: "limited by its bus", outcome: func(r *logbook.Run) { r.Conditions.BusWasTheLimit = true }, peer: false},
		{name: "without a trace", noTrace: true, peer: false},
		{name: "left out free blocks", earlier: skippedFree, peer: false},
		{name: "this one leaves out free blocks", now: skippedFree, peer: false},
		{name: "both leave out free blocks", earlier: skippedFree, now: skippedFree, peer: true},
		byCID(peerCase{name: "CID: same product, another image", earlier: asCID(cid("CARDA", 0x10, 2)), peer: true}),
		byCID(peerCase{name: "CID: same card", earlier: asCID(mine), peer: false}),
		byCID(peerCase{name: "CID: another name", earlier: asCID(cid("CARDB", 0x10, 2)), peer: false}),
		byCID(peerCase{name: "CID: another revision", earlier: asCID(cid("CARDA", 0x11, 2)), peer: false}),
		byCID(peerCase{name: "CID: another maker", earlier: asCID("02" + cid("CARDA", 0x10, 2)[2:]), peer: false}),
		byCID(peerCase{name: "CID: another OEM", earlier: asCID("1b5858" + cid("CARDA", 0x10, 2)[6:]), peer: false}),
		byCID(peerCase{name: "CID: known by its label alone", earlier: nil, peer: false}),
		byCID(peerCase{name: "CID: another capacity", earlier: func(r *logbook.Run) {
			r.Label, r.Conditions.CardRegisterCID, r.Conditions.CardSizeBytes = "", cid("CARDA", 0x10, 2), 1<<30
		}, peer: false}),
	}
	for _, c := range cases {
		for _, begun := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, begun %v", c.name, begun), func(t *testing.T) { c.check(t, begun) })
		}
	}
}

func skippedFree(run *logbook.Run) { run.Conditions.SkipFree = true }

// check asks before or after the asking run was begun, when its card has a number.
func (c peerCase) check(t *testing.T, begun bool) {
	book := open(t, bookPath(t))
	earlier, now := flashRun("earlier", ""), flashRun("now", "")
	for _, f := range []struct {
		change func(*logbook.Run)
		run    *logbook.Run
	}{{c.earlier, earlier}, {c.now, now}} {
		if f.change != nil {
			f.change(f.run)
		}
	}
	name := "x"
	if c.image != "" {
		name = c.image
	}
	if err := book.Begin(t.Context(), earlier, begunImage(name)); err != nil {
		t.Fatal(err)
	}
	ended(earlier)
	if c.outcome != nil {
		c.outcome(earlier)
	}
	samples := trace(7)
	if c.noTrace {
		samples = nil
	}
	if err := book.Finish(t.Context(), earlier, endedImage(name), samples); err != nil {
		t.Fatal(err)
	}
	image := begunImage("x")
	if c.nowImage != nil {
		image = *c.nowImage
	}
	if begun {
		if err := book.Begin(t.Context(), now, image); err != nil {
			t.Fatal(err)
		}
	}
	peers, err := book.Peers(t.Context(), now, image)
	if err != nil {
		t.Fatal(err)
	}
	if c.peer && !cmp.Equal(peers, [][]flash.Sample{samples}) || !c.peer && len(peers) != 0 {
		t.Errorf("got %v", peers)
	}
}

func TestPeersAreTheLatestRunOfEachCard(t *testing.T) {
	book := open(t, bookPath(t))
	record(t, book, flashRun("a", ""), "x", trace(1))
	record(t, book, flashRun("b", ""), "x", trace(2))
	record(t, book, flashRun("a", ""), "x", trace(3))
	limited := flashRun("b", "")
	limited.Conditions.SourceWasTheLimit = true
	record(t, book, limited, "x", trace(4))      // does not hide the earlier good run
	record(t, book, flashRun("b", ""), "x", nil) // nor does one without a trace
	peers, err := book.Peers(t.Context(), flashRun("c", ""), begunImage("x"))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([][]flash.Sample{trace(3), trace(2)}, peers); diff != "" {
		t.Errorf("peers differ (-want +got):\n%s", diff)
	}
}

func TestPeersAreBounded(t *testing.T) {
	book := open(t, bookPath(t))
	for i := range 203 {
		record(t, book, flashRun(fmt.Sprintf("card %d", i), ""), "x", trace(i))
	}
	peers, err := book.Peers(t.Context(), flashRun("now", ""), begunImage("x"))
	if err != nil {
		t.Fatal(err)
	}
	if len(peers) != 200 || !cmp.Equal(peers[0], trace(202)) || !cmp.Equal(peers[199], trace(3)) {
		t.Errorf("%d peers, from %v to %v", len(peers), peers[0], peers[len(peers)-1])
	}
}

// An eMMC has a name of six letters (JESD84-B51, 7.2), so its revision lies one byte later than an SD card's.
func TestPeersOfAnEMMCNeedTheSameRevision(t *testing.T) {
	const asked = "150100" + "424a54443452" + "37" + "00000001" + "4200"
	for revision, want := range map[string]int{"37": 1, "38": 0} {
		book := open(t, bookPath(t))
		record(t, book, flashRun("", "150100"+"424a54443452"+revision+"00000002"+"4200"), "x", trace(1))
		peers, err := book.Peers(t.Context(), flashRun("", asked), begunImage("y"))
		if err != nil || len(peers) != want {
			t.Errorf("revision %s: %d peers, %v", revision, len(peers), err)
		}
	}
}

func TestImageIsKnownByWhatItTurnedOutToBe(t *testing.T) {
	book := open(t, bookPath(t))
	record(t, book, flashRun("a", ""), "x", trace(1))
	finish := func(label string, begun, settled source.Facts, n int) {
		t.Helper()
		run := flashRun(label, "")
		if err := book.Begin(t.Context(), run, begun); err != nil {
			t.Fatal(err)
		}
		if err := book.Finish(t.Context(), ended(run), settled, trace(n)); err != nil {
			t.Fatal(err)
		}
	}
	other := begunImage("x") // the same name and size, other bytes
	other.ImageSHA256, other.PackedSHA256 = digest("other"), digest("packed other")
	finish("b", begunImage("x"), other, 2)
	third := begunImage("x") // and once more, its packed digest untold
	third.ImageSHA256 = digest("third")
	finish("d", begunImage("x"), third, 4)
	piped := endedImage("x") // the first image again, from standard input
	piped.Name, piped.Format, piped.PackedSHA256, piped.PackedBytes = "-", source.FormatRaw, digest("x"), 0
	finish("c", source.Facts{Name: "-", Format: source.FormatRaw}, piped, 3)
	unsized := source.Facts{Name: "-", Format: source.FormatRaw, ImageSHA256: digest("unsized")}
	finish("e", source.Facts{Name: "-", Format: source.FormatRaw}, unsized, 5)

	for name, c := range map[string]struct {
		image source.Facts
		want  [][]flash.Sample
	}{
		"the first image": {source.Facts{ImageSHA256: digest("x")}, [][]flash.Sample{trace(3), trace(1)}},
		"the other image": {source.Facts{ImageSHA256: digest("other")}, [][]flash.Sample{trace(2)}},
		"the third image": {source.Facts{ImageSHA256: digest("third")}, [][]flash.Sample{trace(4)}},
		"no image":        {source.Facts{Name: "-", Format: source.FormatRaw}, nil},
	} {
		peers, err := book.Peers(t.Context(), flashRun("now", ""), c.image)
		if diff := cmp.Diff(c.want, peers); diff != "" || err != nil {
			t.Errorf("%s: %v (-want +got):\n%s", name, err, diff)
		}
	}
}
