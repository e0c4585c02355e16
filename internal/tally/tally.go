package tally

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"cardwright/internal/batch"
	"cardwright/internal/progress"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// A Tally is the face of one batch, from before its first event to after its last.
type Tally struct {
	o      Options
	news   *news
	stream *stream // of documents; nil without
	errand *errand // of the operator's command; nil without
	size   func() (columns, lines int)

	begun      bool
	documented bool
	ended      *batch.Event // kept back until the exit code is known
}

// Options say how a batch is told of.
type Options struct {
	Screen    io.Writer                         // where events and bays are shown, and drawn where it is a terminal
	Results   io.Writer                         // where documents or totals go
	JSON      bool                              // documents instead of totals
	Terminal  func() (terminal.Terminal, error) // opens the operator's terminal, on which bays are typed
	LineEvery time.Duration                     // how often a card at work is told of in lines; must be above 0

	ProgramVersion string // told in the first document, and so is when the command started
	StartedAt      time.Time
	OnEvent        string // a command line of the operator's, to be run for each event; empty for none
	Quiet          bool   // no bell
	GoOn           string // how a batch that was ended early goes on, for the totals
}

// New begins to take events in. Finish must be called.
func New(o Options) *Tally {
	t := &Tally{o: o, news: newNews(), size: terminal.SizeOf(o.Screen)}
	if o.JSON {
		t.stream = newStream(o.Results, func(err error) {
			t.note(fmt.Sprintf("standard output takes no more events (%v); the cards go on", err))
		})
	}
	if o.OnEvent != "" {
		t.errand = newErrand(o.OnEvent, errandLimit, t.note)
	}
	return t
}

// Tell takes an event in. It is called by one goroutine at a time, which may be another than that of During, and never waits.
func (t *Tally) Tell(e batch.Event) {
	t.begun = true
	t.news.count(e)
	if e.Kind == batch.KindEnded {
		t.ended = &e
		return
	}
	t.show(e)
	document := t.document(e, 0)
	if document != nil && t.stream != nil {
		t.documented = true
		t.stream.tell(document)
	}
	if document != nil && t.errand != nil {
		t.errand.tell(document)
	}
}

// show puts an event among the news. On a terminal, what the bays show at once is not told as well.
func (t *Tally) show(e batch.Event) {
	n := piece{lines: eventInWords(e)}
	switch e.Kind {
	case batch.KindSeated, batch.KindStarted, batch.KindRemoved:
		if t.size != nil {
			return
		}
	case batch.KindFinished:
		n.tabled, n.bell = true, true
	case batch.KindHeld, batch.KindRefused, batch.KindSlow:
		n.bell = true
	}
	t.news.add(n)
}

// note tells the operator something beside the events.
func (t *Tally) note(text string) {
	t.news.add(piece{lines: []string{"cardwright: " + report.Printable(text)}})
}

// document is what an event is for those who asked for it in JSON; nil where nobody did. code is told in the last one.
func (t *Tally) document(e batch.Event, code int) []byte {
	if t.stream == nil && t.errand == nil {
		return nil
	}
	document, err := documentOf(e, t.o, code)
	if err != nil {
		t.note(fmt.Sprintf("an event (%s %s) cannot be told in JSON: %v", e.Kind, e.Bay, err))
		return nil
	}
	return document
}

// During shows the bays and takes in what the operator types for as long as work runs, also when it panics. It runs work in the
// goroutine that calls it; two others paint and read the terminal, and have ended when it returns. Both call looks, which gives all bays
// in their order, and the second calls release with a bay whose card is held and is to be overwritten; an error says why it stays held,
// and is told.
func (t *Tally) During(looks func() []batch.Look, release func(bay string) error, work func()) {
	stop := make(chan struct{})
	typing := terminal.StartTyping(t.o.Terminal, t.size != nil, func(line string) { t.entered(line, looks(), release) })
	var helpers sync.WaitGroup
	helpers.Go(func() { t.paint(stop, looks, typing) })
	helpers.Go(func() { typing.Read(stop) })
	defer func() {
		close(stop)
		typing.Interrupt()
		helpers.Wait()
		typing.End()
	}()
	work()
}

// paint shows the news and the bays until it is stopped.
func (t *Tally) paint(stop <-chan struct{}, looks func() []batch.Look, typing *terminal.Typing) {
	var painter painter = &linePainter{out: t.o.Screen, every: t.o.LineEvery}
	if t.size != nil {
		painter = &bayPainter{out: t.o.Screen, size: t.size, typing: typing, bell: !t.o.Quiet}
	}
	looking := time.NewTicker(min(progress.LookEvery, t.o.LineEvery))
	defer looking.Stop()
	tracks := tracks{}
	for {
		select {
		case <-stop:
			painter.last(t.news.take())
			return
		case <-t.news.came:
		case <-typing.Changed():
		case <-looking.C:
		}
		now := time.Now()
		painter.paint(now, t.news.take(), tracks.see(now, looks()), t.news.score())
	}
}

// entered acts on a line that the operator typed: the name of a bay whose card is held.
func (t *Tally) entered(line string, looks []batch.Look, release func(bay string) error) {
	name := strings.TrimSpace(line)
	if name == "" {
		return
	}
	at := slices.IndexFunc(looks, func(l batch.Look) bool { return l.Bay == name })
	switch {
	case at < 0:
		names := make([]string, len(looks))
		for i, l := range looks {
			names[i] = l.Bay
		}
		t.note(fmt.Sprintf("%q is no bay; the bays are %s", name, strings.Join(names, ", ")))
	case looks[at].Phase != batch.PhaseHeld:
		t.note(fmt.Sprintf("no card is held in %s", name))
	default:
		if err := release(name); err != nil {
			t.note(fmt.Sprintf("%s stays held: %v", name, err))
		}
	}
}

// ExitCodes are what the command may end with, which the last document tells.
type ExitCodes struct {
	AllTold int // where every document came out that was asked for
	Missing int // where some did not
}

// Finish tells the end with the code that the command ends with, waits until all is out, and prints the totals. It gives that code; its
// error is that of printing the totals. It is called once, after the last Tell and when During has returned, and nothing is called
// after it but Documented.
func (t *Tally) Finish(codes ExitCodes) (code int, err error) {
	code = codes.AllTold
	if t.stream != nil && t.stream.lost.Load() > 0 {
		code = codes.Missing
		t.note(fmt.Sprintf("%d events are missing on standard output, which was not read in time", t.stream.lost.Load()))
	}
	var last []byte
	if t.begun {
		if t.ended == nil { // it failed on its way: a reader of the stream still learns that no more comes
			t.ended = &batch.Event{Kind: batch.KindEnded, At: time.Now()}
		}
		last = t.document(*t.ended, code)
	}
	if t.stream != nil && t.stream.close(last) != nil {
		code = codes.Missing
	}
	if t.errand != nil {
		if lost := t.errand.close(last); lost > 0 {
			t.note(fmt.Sprintf("the command of --on-event was not run for %d events", lost))
		}
	}
	(&linePainter{out: t.o.Screen}).last(t.news.take())
	if !t.o.JSON && t.ended != nil && t.ended.Totals != nil {
		err = writeTotals(t.o.Results, t.ended.Totals, t.o.GoOn)
	}
	return code, err
}

// Documented tells whether a document was told, after which no other kind of document may come on standard output. It is asked once
// Finish has returned.
func (t *Tally) Documented() bool { return t.documented }
