package project

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// The names under which a template finds what is known of the run. No column may have one of them.
const (
	nameNumber      = "number"
	nameImage       = "image"
	nameImageSHA256 = "image_sha256"
	nameDate        = "date"
)

var runNames = []string{nameNumber, nameImage, nameImageSHA256, nameDate}

// Data is what the templates are filled in with.
type Data struct {
	Row         Row       // nil without a sheet: a template that asks for a column, the label among them, then fails
	Number      int64     // {{.number}}: the card's number in its sequence
	Image       string    // {{.image}}: the image's name
	ImageSHA256 string    // {{.image_sha256}}
	Time        time.Time // {{.date}}: the day in UTC, as 2026-11-26
}

// values gives all names at once.
func (d Data) values() map[string]any {
	values := map[string]any{
		nameNumber: d.Number, nameImage: d.Image, nameImageSHA256: d.ImageSHA256, nameDate: d.Time.UTC().Format(time.DateOnly),
	}
	for name, value := range d.Row {
		values[name] = value
	}
	return values
}

// A File is one file of one card.
type File struct {
	Path    string // of names joined by slashes
	Content []byte
}

// Render fills in the templates for one card. The error wraps ErrTemplate and names file, line and what is missing.
func (f *Files) Render(d Data) ([]File, error) {
	values, left := d.values(), maxFilesBytes
	for _, name := range slices.Sorted(maps.Keys(d.Row)) {
		if slices.Contains(runNames, name) {
			return nil, fmt.Errorf("%w: a column is named %q", ErrSheet, name)
		}
	}
	files := make([]File, 0, len(f.all))
	for _, source := range f.all {
		content := source.content
		if source.template != nil {
			filled := &bounded{left: left}
			if err := source.template.Execute(filled, values); err != nil {
				return nil, templateFailed(err)
			}
			content = filled.Bytes()
		}
		if left -= len(content); left < 0 {
			return nil, fmt.Errorf("%s: %w: %w", source.path, ErrTemplate, errLong)
		}
		files = append(files, File{source.path, content})
	}
	return files, nil
}

// maxComplaints is how many cards that cannot be rendered are told at once.
const maxComplaints = 10

// Check renders every row of a sheet, or without one a single card, so that no card fails for want of a value once cards are
// being written. Of the data it takes what is the same for all. The errors, which wrap ErrTemplate, are joined.
func (f *Files) Check(sheet *Sheet, d Data) error {
	if sheet == nil {
		_, err := f.Render(d)
		return err
	}
	var complaints []error
	for i, row := range sheet.Rows() {
		d.Row = row
		if _, err := f.Render(d); err != nil {
			complaints = append(complaints, fmt.Errorf("%s: %w", row.Label(), err))
		}
		if len(complaints) == maxComplaints && i+1 < len(sheet.Rows()) {
			complaints = append(complaints, fmt.Errorf("%w: the other %d rows were not tried", ErrTemplate, len(sheet.Rows())-i-1))
			break
		}
	}
	return errors.Join(complaints...)
}

var errLong = fmt.Errorf("it makes the files longer than %d bytes", maxFilesBytes)

// A bounded takes what a template writes, up to a limit: a loop in it need have no end.
type bounded struct {
	bytes.Buffer
	left int
}

func (b *bounded) Write(p []byte) (int, error) {
	if b.left -= len(p); b.left < 0 {
		return 0, errLong
	}
	return b.Buffer.Write(p)
}
