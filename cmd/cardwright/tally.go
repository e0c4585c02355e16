package main

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"cardwright/internal/batch"
	"cardwright/internal/progress"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// A tally is the face of a batch: it shows what happens on the terminal, streams it as JSON, and has it done what the operator
// wants done with each event. Nothing that takes an event in waits for any of these.
type tally struct {
	*program
	tallyOptions
	news   *news
	stream *stream // of --json; nil without
	errand *errand // of --on-event; nil without
	size   func() (columns, lines int)

	begun bool
	ended *batch.Event // kept back until the exit code is known
}

// tallyOptions say how a batch is told of.
type tallyOptions struct {
	startedAt time.Time // when the command started
	onEvent   string    // a command line of the operator's, to be run for each event; empty for none
	quiet     bool      // no bell
	goOn      string    // how a batch that was ended early goes on
}

// newTally begins to take events in. finish must be called.
func (p *program) newTally(o tallyOptions) *tally {
	t := &tally{program: p, tallyOptions: o, news: newNews(), size: terminal.SizeOf(p.stderr)}
	if p.json {
		t.stream = newStream(p.stdout, func(err error) {
			t.note(fmt.Sprintf("standard output takes no more events (%v); the cards go on", err))
		})
	}
	if o.onEvent != "" {
		t.errand = newErrand(o.onEvent, errandLimit, t.note)
	}
	return t
}

// tell takes an event in. It is called by one goroutine at a time, and never waits.
func (t *tally) tell(e batch.Event) {
	t.begun = true
	t.news.count(e)
	if e.Kind == batch.KindEnded {
		t.ended = &e
		return
	}
	t.show(e)
	document := t.document(e, done)
	if document != nil && t.stream != nil {
		t.documented = true
		t.stream.tell(document)
	}
	if document != nil && t.errand != nil {
		t.errand.tell(document)
	}
}

// show puts an event among the news. On a terminal, what the bays show at once is not told as well.
func (t *tally) show(e batch.Event) {
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
func (t *tally) note(text string) {
	t.news.add(piece{lines: []string{"cardwright: " + report.Printable(text)}})
}

// document is what an event is for those who asked for it in JSON; nil where nobody did.
func (t *tally) document(e batch.Event, code exitCode) []byte {
	if t.stream == nil && t.errand == nil {
		return nil
	}
	document, err := documentOf(e, t.startedAt, code)
	if err != nil {
		t.note(fmt.Sprintf("an event (%s %s) cannot be told in JSON: %v", e.Kind, e.Bay, err))
		return nil
	}
	return document
}

// during shows the bays and takes in what the operator types for as long as work runs, also when it panics.
func (t *tally) during(looks func() []batch.Look, release func(bay string) error, work func()) {
	stop := make(chan struct{})
	typing := terminal.StartTyping(t.terminal, t.size != nil, func(line string) { t.entered(line, looks(), release) })
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
func (t *tally) paint(stop <-chan struct{}, looks func() []batch.Look, typing *terminal.Typing) {
	var painter painter = &linePainter{out: t.stderr, every: t.lineEvery}
	if t.size != nil {
		painter = &bayPainter{out: t.stderr, size: t.size, typing: typing, bell: !t.quiet}
	}
	looking := time.NewTicker(min(progress.LookEvery, t.lineEvery))
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
func (t *tally) entered(line string, looks []batch.Look, release func(bay string) error) {
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

// finish tells the end with the code that the command ends with, waits until all is out, and prints the totals. It ends the
// command.
func (t *tally) finish(code exitCode) error {
	if t.stream != nil && t.stream.lost.Load() > 0 {
		code = worst(code, programFailed)
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
		code = worst(code, programFailed)
	}
	if t.errand != nil {
		if lost := t.errand.close(last); lost > 0 {
			t.note(fmt.Sprintf("the command of --on-event was not run for %d events", lost))
		}
	}
	(&linePainter{out: t.stderr}).last(t.news.take())
	if !t.json && t.ended != nil && t.ended.Totals != nil {
		if err := writeTotals(t.stdout, t.ended.Totals, t.goOn); err != nil {
			return err
		}
	}
	return ending{code}
}
