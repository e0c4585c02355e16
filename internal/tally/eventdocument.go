package tally

import (
	"bytes"
	"encoding/json"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
)

// An eventDocument is what every event tells in JSON. Those of some kinds tell more, in a struct around it.
type eventDocument struct {
	Event   batch.Kind `json:"event"`
	At      time.Time  `json:"at"`
	Bay     string     `json:"bay"`
	Device  string     `json:"device"`
	Label   string     `json:"label"`
	Number  int64      `json:"number"`
	Reasons []string   `json:"reasons"`
}

// A begunDocument is the first of a batch.
type begunDocument struct {
	eventDocument
	ProgramVersion string        `json:"program_version"`
	StartedAt      time.Time     `json:"started_at"`
	Name           string        `json:"name"`
	Image          source.Facts  `json:"image"`
	Bays           []bayDocument `json:"bays"`
	Wanted         int           `json:"wanted"`
	DoneBefore     int           `json:"done_before"`
}

type bayDocument struct {
	Name   string `json:"name"`
	Device string `json:"device"`
	Place  string `json:"place"`
}

type slowDocument struct {
	eventDocument
	Pace           flash.Pace `json:"pace"`
	PaceReason     string     `json:"pace_reason"`
	BytesPerSecond float64    `json:"sustained_bytes_per_s"`
	Claim          string     `json:"claim"`
	ClaimedRate    float64    `json:"claim_bytes_per_s"`
	Peers          int        `json:"peers"`
	PeersMedian    float64    `json:"peers_median_bytes_per_s"`
	PeersSpread    float64    `json:"peers_spread_bytes_per_s"`
}

type finishedDocument struct {
	eventDocument
	Run logbook.Run `json:"run"`
}

// An endedDocument is the last of a batch.
type endedDocument struct {
	eventDocument
	ExitCode int             `json:"exit_code"`
	Totals   *totalsDocument `json:"totals"`
}

type totalsDocument struct {
	ElapsedSeconds float64        `json:"elapsed_s"`
	Intact         int            `json:"intact"`
	Failed         int            `json:"failed"`
	Slow           int            `json:"slow"`
	DoneBefore     int            `json:"done_before"`
	Wanted         int            `json:"wanted"`
	CardsPerHour   float64        `json:"cards_per_hour"`
	Fastest        *cardDocument  `json:"fastest"`
	Median         *cardDocument  `json:"median"`
	Slowest        *cardDocument  `json:"slowest"`
	Cards          []cardDocument `json:"cards"`
}

type cardDocument struct {
	At             time.Time       `json:"at"`
	Bay            string          `json:"bay"`
	Label          string          `json:"label"`
	Number         int64           `json:"number"`
	RunID          int64           `json:"run_id"`
	Verdict        logbook.Verdict `json:"verdict"`
	Pace           flash.Pace      `json:"pace"`
	SecondsToFlash *float64        `json:"time_to_flash_s"`
	SecondsToProof *float64        `json:"time_to_proven_s"`
	BytesPerSecond *float64        `json:"sustained_bytes_per_s"`
	Reason         string          `json:"reason"`
}

// documentOf gives an event's document as one line. The first document tells of the program, as the options do, the last the code that
// it ends with.
func documentOf(e batch.Event, o Options, code int) ([]byte, error) {
	head := eventDocument{e.Kind, e.At.UTC(), e.Bay, e.Device, e.Label, e.Number, append([]string{}, e.Reasons...)}
	var document any = head
	switch {
	case e.Kind == batch.KindBegun && e.Batch != nil:
		document = begun(head, o, e.Batch)
	case e.Kind == batch.KindSlow:
		document = slowDocument{
			head, e.Pace.Pace, e.Pace.Reason, e.Rate, e.Pace.Claim.Marks, e.Pace.Claim.BytesPerSecond, e.Pace.Peers, e.Pace.PeersMedian,
			e.Pace.PeersSpread,
		}
	case e.Kind == batch.KindFinished && e.Run != nil:
		document = finishedDocument{head, report.WithLists(*e.Run)}
	case e.Kind == batch.KindEnded:
		document = endedDocument{head, code, totalsOf(e.Totals)}
	}
	var line bytes.Buffer
	encoder := json.NewEncoder(&line)
	encoder.SetEscapeHTML(false) // as in every other document
	err := encoder.Encode(document)
	return line.Bytes(), err
}

func begun(head eventDocument, o Options, facts *batch.Facts) begunDocument {
	bays := make([]bayDocument, len(facts.Bays))
	for i, bay := range facts.Bays {
		bays[i] = bayDocument(bay)
	}
	return begunDocument{
		head, o.ProgramVersion, o.StartedAt.UTC(), facts.Name, facts.Image, bays, facts.Wanted, facts.Before,
	}
}

func totalsOf(t *batch.Totals) *totalsDocument {
	if t == nil {
		return nil
	}
	cards := make([]cardDocument, len(t.Cards))
	for i := range t.Cards {
		cards[i] = *cardOf(&t.Cards[i])
	}
	return &totalsDocument{
		t.Elapsed.Seconds(), t.Intact, t.Failed, t.Slow, t.Before, t.Wanted, t.CardsPerHour,
		cardOf(t.Fastest), cardOf(t.Median), cardOf(t.Slowest), cards,
	}
}

func cardOf(c *batch.Card) *cardDocument {
	if c == nil {
		return nil
	}
	return &cardDocument{
		c.ReportedAt.UTC(), c.Bay, c.Label, c.Number, c.RunID, c.Verdict, c.Pace,
		unlessZero(c.SecondsToFlash), unlessZero(c.SecondsToProof), unlessZero(c.BytesPerSecond), c.Reason,
	}
}

// unlessZero turns a figure that it did not come to into null, as everywhere in the documents.
func unlessZero(figure float64) *float64 {
	if figure == 0 {
		return nil
	}
	return &figure
}
