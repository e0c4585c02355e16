package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/cardlab"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
)

func (p *program) demoCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "demo",
		Short: "See it at work on emulated cards: no card, no root, no download",
		Long: "demo makes a small image, flashes four emulated cards whose faults are known,\n" +
			"looks for the true size of one of them, and prints what was found. It takes\n" +
			"about half a minute. Image and logbook stay in a temporary folder, which it\n" +
			"names; no other logbook is written.\n\n" +
			exitHelp(),
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return p.demo(cmd.Context()) },
	}
}

const (
	demoFloor    = 12e6      // bytes per second
	demoCardSize = 128 << 20 // what each emulated card says it has
	demoTrueSize = 64 << 20  // what the false one has
)

// A demoCard is an emulated card and what the demo expects of it.
type demoCard struct {
	label  string
	story  string
	traits cardlab.Traits
	expect logbook.Verdict
}

// demoTogether are flashed at once; their rates are near each other, so that none is held up by another.
func demoTogether() []demoCard {
	mark := int64(orchardRootStart)
	return []demoCard{
		{
			"orchard-01", "a sound card",
			cardlab.Traits{SizeBytes: demoCardSize, WriteBytesPerSecond: 24e6, ReadBytesPerSecond: 60e6},
			logbook.Intact,
		},
		{
			"orchard-02", "a card with rotten blocks",
			cardlab.Traits{
				SizeBytes: demoCardSize, WriteBytesPerSecond: 25e6, ReadBytesPerSecond: 60e6,
				Flips: []cardlab.Flip{{OffsetBytes: mark + 9<<20, Mask: 0x10}, {OffsetBytes: mark + 15<<20, Mask: 0x02}},
				Bad:   []cardlab.BadRange{{Span: cardlab.Span{OffsetBytes: mark + 30<<20, LengthBytes: 64 << 10}, Read: true}},
			},
			logbook.Damaged,
		},
		{
			"orchard-03", "a card that says 134 MB and has half of that",
			cardlab.Traits{
				SizeBytes: demoCardSize, TrueSizeBytes: demoTrueSize, WriteBytesPerSecond: 25e6, ReadBytesPerSecond: 60e6,
			},
			logbook.Damaged,
		},
	}
}

// demoAlone is flashed by itself: beside others it would hold them back.
func demoAlone() []demoCard {
	return []demoCard{{
		"orchard-04", "a card that is sound but slow",
		cardlab.Traits{SizeBytes: demoCardSize, WriteBytesPerSecond: 9e6, ReadBytesPerSecond: 60e6},
		logbook.Intact,
	}}
}

// A demonstration is one run of the demo.
type demonstration struct {
	*program
	story     io.Writer // standard output, unless that is to hold one JSON document
	folder    string
	packed    string
	bookPath  string
	startedAt time.Time
}

func (p *program) demo(ctx context.Context) error {
	d := &demonstration{program: p, story: p.stdout, startedAt: time.Now()}
	if p.json {
		d.story = p.stderr
	}
	if err := d.prepare(); err != nil {
		return err
	}
	result, err := d.flashAll(ctx)
	if err != nil {
		return err
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err := d.show(ctx, result); err != nil {
		return err
	}
	if err := heldAgainst(result.Cards, append(demoTogether(), demoAlone()...)); err != nil || d.json {
		return err
	}
	if err := d.measureSize(ctx); err != nil {
		return err
	}
	d.next(result)
	return nil
}

// prepare makes the folder and the image.
func (d *demonstration) prepare() (err error) {
	if d.folder, err = os.MkdirTemp("", "cardwright-demo-"); err != nil {
		return err
	}
	image := filepath.Join(d.folder, "orchard.img")
	d.packed, d.bookPath = image+".xz", filepath.Join(d.folder, "logbook.db")
	fmt.Fprintf(d.story, "A village orchard guards its blossom against frost with a dozen small boards,\n"+
		"each with a memory card of its own. It is April, a clear night is coming, and\n"+
		"four cards must be written.\n\n"+
		"Making the boards' image in %s ...\n", d.folder)
	if err := buildOrchard(image); err != nil {
		return err
	}
	return packOrchard(image, d.packed)
}

// flashAll flashes the cards and gives one result for all of them.
func (d *demonstration) flashAll(ctx context.Context) (*job.Result, error) {
	book, err := logbook.Open(ctx, d.bookPath)
	if err != nil {
		return nil, err
	}
	defer d.closeBook(book)
	fmt.Fprintf(d.story, "\nThree cards are flashed at once. The orchard asks for %.0f MB/s:\n", demoFloor/1e6)
	all, err := d.flash(ctx, book, demoTogether())
	if err != nil || ctx.Err() != nil {
		return all, err
	}
	fmt.Fprintf(d.story, "\nThe fourth comes out of a drawer and goes by itself:\n")
	last, err := d.flash(ctx, book, demoAlone())
	if err != nil {
		return nil, err
	}
	all.Cards = append(all.Cards, last.Cards...)
	return all, nil
}

// flash is the flash command's job, on emulated cards.
func (d *demonstration) flash(ctx context.Context, book *logbook.Book, cards []demoCard) (*job.Result, error) {
	image, err := openSource(ctx, d.packed, source.Options{})
	if err != nil {
		return nil, err
	}
	defer image.Close()
	var targets []job.Target
	var tracks []progress.Card
	for _, c := range cards {
		card, err := cardlab.New(c.traits)
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(d.story, "  %s, %s\n", c.label, c.story)
		t := job.Target{
			Card: card, Device: "emulated-" + c.label[len(c.label)-2:], Label: c.label, Meter: &flash.Meter{},
			Conditions: logbook.Conditions{ReaderModel: "emulated", Kernel: kernelRelease(), ProgramVersion: programVersion},
		}
		targets = append(targets, t)
		tracks = append(tracks, progress.NewTrack(c.label, t.Meter, image, 0))
	}
	fmt.Fprintln(d.story)
	var result *job.Result
	d.progressOf(tracks...).During(func() {
		result = job.Flash(ctx, image, targets, job.Options{Book: book, FloorBytesPerSecond: demoFloor})
	})
	return result, nil
}

// show prints the report of all cards, the logbook, and what to look at next.
func (d *demonstration) show(ctx context.Context, result *job.Result) error {
	fmt.Fprintln(d.story)
	if err := d.writeRuns(d.startedAt, result, done); err != nil {
		return err
	}
	if d.json {
		return nil
	}
	book, err := logbook.OpenReadOnly(ctx, d.bookPath)
	if err != nil {
		return err
	}
	defer d.closeBook(book)
	records, err := book.List(ctx, logbook.Filter{})
	if err != nil {
		return err
	}
	fmt.Fprintf(d.story, "\nThe logbook remembers:\n\n")
	if err := d.printRecords(d.startedAt, records); err != nil {
		return err
	}
	fmt.Fprintf(d.story, "\nA flash command on these cards would have ended with exit code %d.\n", codeOfRuns(result.Cards))
	return nil
}

// next says what to look at next.
func (d *demonstration) next(result *job.Result) {
	fmt.Fprintf(d.story, "\nNext, with cardwright built (go build ./cmd/cardwright):\n"+
		"  D=%s\n"+
		"  ./cardwright --logbook $D/%s logbook show %d\n"+
		"  ./cardwright inspect $D/%s\n"+
		"  truncate -s 128M $D/card.img\n"+
		"  ./cardwright --logbook $D/%s flash $D/%s --to $D/card.img\n"+
		"  ./cardwright --logbook $D/%s logbook cards\n",
		filepath.Dir(d.bookPath), filepath.Base(d.bookPath), result.Cards[2].RunID, filepath.Base(d.packed),
		filepath.Base(d.bookPath), filepath.Base(d.packed), filepath.Base(d.bookPath))
}

// heldAgainst compares the verdicts with what the emulated cards are known to be.
func heldAgainst(runs []logbook.Run, cards []demoCard) error {
	if len(runs) != len(cards) {
		return fmt.Errorf("the demo went wrong: it has %d cards and %d runs", len(cards), len(runs))
	}
	for i, run := range runs {
		if run.Verdict != cards[i].expect {
			return fmt.Errorf("the demo went wrong: %s is %s and was called %s", run.Label, cards[i].story, run.Verdict)
		}
	}
	return nil
}
