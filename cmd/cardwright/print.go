package main

import (
	"encoding/json"
	"fmt"
	"time"

	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

func (p *program) printRuns(startedAt time.Time, result *job.Result) error {
	code := codeOfRuns(result.Cards)
	e := json.NewEncoder(p.stdout)
	e.SetIndent("", " ")
	if err := e.Encode(result); err != nil {
		return err
	}
	return ending{code}
}

func (p *program) printTable(startedAt time.Time, name string, table *partition.Table) error {
	return json.NewEncoder(p.stdout).Encode(table)
}

func (p *program) printListings(startedAt time.Time, l []device.Listing) error {
	return json.NewEncoder(p.stdout).Encode(l)
}

func (p *program) printRecords(startedAt time.Time, records []logbook.Record) error {
	return json.NewEncoder(p.stdout).Encode(records)
}

func (p *program) printRecord(startedAt time.Time, record *logbook.Record) error {
	fmt.Fprintln(p.stdout)
	return json.NewEncoder(p.stdout).Encode(record)
}
