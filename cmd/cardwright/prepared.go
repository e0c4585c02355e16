package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"cardwright/flash/source"
	"cardwright/internal/report"
	"cardwright/internal/store"
)

// The documents of prepare: of an image, of the list, and of a removal.
type (
	preparedDocument struct {
		listDocument
		Decoded bool `json:"decoded"`
	}
	listDocument struct {
		report.Stamp
		Store    string        `json:"store"`
		Prepared []store.Entry `json:"prepared"`
	}
	removedDocument struct {
		report.Stamp
		Store   string        `json:"store"`
		Removed []store.Entry `json:"removed"`
	}
)

// printPrepared prints an entry that was made, or was there.
func (p *program) printPrepared(startedAt time.Time, s *store.Store, found *store.Prepared, decoded bool) error {
	e := found.Entry()
	return p.printed(
		func() error {
			list := listDocument{stampOf(startedAt, done), s.Dir(), []store.Entry{e}}
			return report.WriteJSON(p.stdout, preparedDocument{list, decoded})
		},
		func() error {
			var text strings.Builder
			said := "was prepared already"
			if decoded {
				said = "is prepared now"
			}
			fmt.Fprintf(&text, "%s %s: flash does not decode it again.\n", report.Printable(nameOfEntry(e)), said)
			listEntry(&text, e)
			_, err := io.WriteString(p.stdout, text.String())
			return err
		},
	)
}

// printEntries prints what is prepared.
func (p *program) printEntries(startedAt time.Time, s *store.Store, entries []store.Entry) error {
	return p.printed(
		func() error {
			return report.WriteJSON(p.stdout, listDocument{stampOf(startedAt, done), s.Dir(), entries})
		},
		func() error {
			var text strings.Builder
			var allocated int64
			for _, e := range entries {
				fmt.Fprintf(&text, "%s\n", report.Printable(nameOfEntry(e)))
				listEntry(&text, e)
				allocated += e.AllocatedBytes
			}
			if len(entries) == 0 {
				fmt.Fprintf(&text, "No image is prepared in %s.\n", report.Printable(s.Dir()))
			} else {
				fmt.Fprintf(&text, "Together they take %s in %s.\n", report.Size(allocated), report.Printable(s.Dir()))
			}
			_, err := io.WriteString(p.stdout, text.String())
			return err
		},
	)
}

// printRemoved prints which entry is gone.
func (p *program) printRemoved(startedAt time.Time, s *store.Store, e store.Entry) error {
	return p.printed(
		func() error {
			return report.WriteJSON(p.stdout, removedDocument{stampOf(startedAt, done), s.Dir(), []store.Entry{e}})
		},
		func() error {
			_, err := fmt.Fprintf(p.stdout, "%s is removed: %s are free again.\n", report.Printable(nameOfEntry(e)), report.Size(e.AllocatedBytes))
			return err
		},
	)
}

// nameOfEntry is what an operator knows an entry by; of a damaged one nothing but its key is known.
func nameOfEntry(e store.Entry) string {
	if e.Image.Name == standardInput {
		return "an image from standard input"
	}
	return cmp.Or(e.Image.Name, "a prepared image")
}

// listEntry tells of an entry in the rows that stand below its name.
func listEntry(text *strings.Builder, e store.Entry) {
	if e.Complaint != "" {
		listRow(text, "not used", e.Complaint)
	} else {
		listRow(text, "image", fmt.Sprintf("%s, %s packed, %s decoded", e.Image.Format, report.Size(e.Image.PackedBytes), report.Size(e.Image.ImageBytes)))
		listRow(text, "published", publishedInWords(e.Image.Expected))
		listRow(text, "from", e.Source)
	}
	listRow(text, "prepared", minute(e.PreparedAt))
	listRow(text, "used last", minute(e.UsedAt))
	if e.InUse {
		listRow(text, "in use", "a program reads it now")
	}
	listRow(text, "on the disk", report.Size(e.AllocatedBytes))
	listRow(text, "key", e.Key)
}

// minute gives the operator's local time, to the minute; empty where it is not known.
func minute(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.Local().Format("2006-01-02 15:04")
}

// publishedInWords says how a digest that was published compares.
func publishedInWords(expected source.Expected) string {
	switch expected {
	case source.Matched:
		return "its digest is the published one"
	case source.Absent:
		return "no published digest was found"
	}
	return ""
}
