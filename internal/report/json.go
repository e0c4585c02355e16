package report

import (
	"encoding/json"
	"io"
	"slices"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// JSON prints a flash or check as one JSON document. Lists in it are never null.
func JSON(w io.Writer, d Document) error {
	cards := make([]logbook.Run, 0, len(d.Cards))
	for _, run := range d.Cards {
		cards = append(cards, WithLists(run))
	}
	d.Cards = cards
	return WriteJSON(w, d)
}

// TableJSON prints a partition table as one JSON document.
func TableJSON(w io.Writer, stamp Stamp, table *partition.Table) error {
	return WriteJSON(w, struct {
		Stamp
		*partition.Table
	}{stamp, tableWithLists(table)})
}

// RecordsJSON prints runs of the logbook as one JSON document: a list under "runs".
func RecordsJSON(w io.Writer, stamp Stamp, records []logbook.Record) error {
	runs := make([]logbook.Record, 0, len(records))
	for _, record := range records {
		record.Run = WithLists(record.Run)
		runs = append(runs, record)
	}
	return WriteJSON(w, struct {
		Stamp
		Runs []logbook.Record `json:"runs"`
	}{stamp, runs})
}

// RecordJSON prints one run of the logbook with the trace of its writing as one JSON document: the run under "run", and
// each block written under "trace".
func RecordJSON(w io.Writer, stamp Stamp, record *logbook.Record, trace []flash.Sample) error {
	type sample struct {
		OffsetBytes  int64   `json:"offset_bytes"`
		LengthBytes  int     `json:"length_bytes"`
		StartSeconds float64 `json:"start_s"`
		BusySeconds  float64 `json:"busy_s"`
	}
	samples := make([]sample, 0, len(trace))
	for _, s := range trace {
		samples = append(samples, sample{s.OffsetBytes, s.LengthBytes, s.Start.Seconds(), s.Busy.Seconds()})
	}
	run := *record
	run.Run = WithLists(run.Run)
	return WriteJSON(w, struct {
		Stamp
		Run   logbook.Record `json:"run"`
		Trace []sample       `json:"trace"`
	}{stamp, run, samples})
}

// FailureJSON prints the document of a command that came to no result: why, under "error".
func FailureJSON(w io.Writer, stamp Stamp, cause error) error {
	type failure struct {
		Cause string `json:"cause"`
	}
	return WriteJSON(w, struct {
		Stamp
		Error failure `json:"error"`
	}{stamp, failure{cause.Error()}})
}

// WriteJSON prints a document indented, with its letters as they are: it goes into no web page.
func WriteJSON(w io.Writer, value any) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	return encoder.Encode(value)
}

// WithLists gives a copy of the run in which no list is null.
func WithLists(run logbook.Run) logbook.Run {
	run.Findings, run.Files = list(run.Findings), list(run.Files)
	run.Table = tableWithLists(run.Table)
	if run.Write != nil {
		figures := *run.Write
		figures.Stalls = list(figures.Stalls)
		run.Write = &figures
	}
	if run.Proof != nil {
		proof := *run.Proof
		proof.Damage = list(proof.Damage)
		run.Proof = &proof
	}
	return run
}

// tableWithLists gives a copy of the table in which no list is null.
func tableWithLists(table *partition.Table) *partition.Table {
	if table == nil {
		return nil
	}
	whole := *table
	whole.Partitions, whole.Findings = list(whole.Partitions), list(whole.Findings)
	return &whole
}

// list gives an empty list for a missing one.
func list[T any](values []T) []T {
	if values == nil {
		return []T{}
	}
	return slices.Clip(values)
}
