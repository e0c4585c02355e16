package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
)

// printRuns prints what became of a job, and ends the command with its exit code.
func (p *program) printRuns(startedAt time.Time, result *job.Result) error {
	code := codeOfRuns(result.Cards)
	if err := p.writeRuns(startedAt, result, code); err != nil {
		return err
	}
	return ending{code}
}

// writeRuns prints what became of a job, for a command that ends with that code.
func (p *program) writeRuns(startedAt time.Time, result *job.Result, code exitCode) error {
	document := report.Document{Stamp: stampOf(startedAt, code), Image: result.Image, Cards: result.Cards}
	return p.printed(
		func() error { return report.JSON(p.stdout, document) },
		func() error { return report.Text(p.stdout, document) },
	)
}

// documentFailure prints the document of a command that failed before it had one, so that a caller who asked for JSON is
// never left without. An error in the flags may have come before --json was read.
func (p *program) documentFailure(startedAt time.Time, cause error, code exitCode, args []string) error {
	asked := p.json || p.unparsed && (slices.Contains(args, "--json") || slices.Contains(args, "--json=true"))
	if p.documented || !asked {
		return nil
	}
	return report.FailureJSON(p.stdout, stampOf(startedAt, code), cause)
}

func (p *program) printTable(startedAt time.Time, table *partition.Table) error {
	return p.printed(
		func() error { return report.TableJSON(p.stdout, stampOf(startedAt, done), table) },
		func() error { return report.Table(p.stdout, table) },
	)
}

func (p *program) printRecords(startedAt time.Time, records []logbook.Record) error {
	return p.printed(
		func() error { return report.RecordsJSON(p.stdout, stampOf(startedAt, done), records) },
		func() error { return report.Records(p.stdout, records) },
	)
}

// stampOf is the frame of every document.
func stampOf(startedAt time.Time, code exitCode) report.Stamp {
	return report.Stamp{ProgramVersion: programVersion, StartedAt: startedAt.UTC(), ExitCode: int(code)}
}

// listRow adds a row below what is listed; none where there is nothing to tell.
func listRow(text *strings.Builder, name, value string) {
	if value != "" {
		fmt.Fprintf(text, "    %-15s %s\n", name, report.Printable(value))
	}
}

// printed prints a result in the form that was asked for.
func (p *program) printed(asJSON, asText func() error) error {
	if p.json {
		p.documented = true
		return asJSON()
	}
	return asText()
}
