package main

import (
	"time"

	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
)

// printRuns prints what became of a job, and ends the command with its exit code.
func (p *program) printRuns(startedAt time.Time, result *job.Result) error {
	code, err := p.writeRuns(startedAt, result)
	if err != nil {
		return err
	}
	return ending{code}
}

// writeRuns prints what became of a job and gives its exit code.
func (p *program) writeRuns(startedAt time.Time, result *job.Result) (exitCode, error) {
	code := codeOfRuns(result.Cards)
	document := report.Document{
		ProgramVersion: programVersion, StartedAt: startedAt.UTC(), ExitCode: int(code), Image: result.Image, Cards: result.Cards,
	}
	return code, p.printed(
		func() error { return report.JSON(p.stdout, document) },
		func() error { return report.Text(p.stdout, document) },
	)
}

func (p *program) printTable(startedAt time.Time, table *partition.Table) error {
	return p.printed(
		func() error { return report.TableJSON(p.stdout, p.stamp(startedAt), table) },
		func() error { return report.Table(p.stdout, table) },
	)
}

func (p *program) printRecords(startedAt time.Time, records []logbook.Record) error {
	return p.printed(
		func() error { return report.RecordsJSON(p.stdout, p.stamp(startedAt), records) },
		func() error { return report.Records(p.stdout, records) },
	)
}

// stamp is the frame of a document of a command that is done.
func (p *program) stamp(startedAt time.Time) report.Stamp {
	return report.Stamp{ProgramVersion: programVersion, StartedAt: startedAt.UTC(), ExitCode: int(done)}
}

// printed prints a result in the form that was asked for.
func (p *program) printed(asJSON, asText func() error) error {
	if p.json {
		return asJSON()
	}
	return asText()
}
