package project

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// LabelColumn is the column that every sheet has. Its values are unique.
const LabelColumn = "label"

// What a sheet may hold at most: room for any workshop, and none for a file that was named by mistake.
const (
	maxSheetBytes  = 4 << 20
	maxRows        = 10_000
	maxColumns     = 100
	maxLabelLength = 100 // in letters
)

// A Row is one card's line of a sheet: its values by the names of their columns.
type Row map[string]string

// Label is what the operator calls the card.
func (r Row) Label() string { return r[LabelColumn] }

// A Sheet is a list of rows, in the order of the file, with one label each.
type Sheet struct {
	columns []string
	rows    []Row
}

// Rows gives the rows in their order.
func (s *Sheet) Rows() []Row { return s.rows }

// ReadSheet reads comma-separated values (RFC 4180) with a line of column names. A byte order mark before it is passed over. The
// error wraps ErrSheet and tells the line, and the column where it is about one; or it is the reader's.
func ReadSheet(r io.Reader) (*Sheet, error) {
	text, err := io.ReadAll(io.LimitReader(r, maxSheetBytes+1))
	if err != nil {
		return nil, err
	}
	if len(text) > maxSheetBytes {
		return nil, fmt.Errorf("%w: it is longer than %d bytes", ErrSheet, maxSheetBytes)
	}
	reading := &sheetReader{Reader: csv.NewReader(bytes.NewReader(bytes.TrimPrefix(text, []byte("\ufeff")))), seen: map[string]int{}}
	if err := reading.header(); err != nil {
		return nil, err
	}
	for {
		row, err := reading.row()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if len(reading.sheet.rows) == maxRows {
			return nil, fmt.Errorf("%w: it has more than %d rows", ErrSheet, maxRows)
		}
		reading.sheet.rows = append(reading.sheet.rows, row)
	}
	if len(reading.sheet.rows) == 0 {
		return nil, fmt.Errorf("%w: it has no row", ErrSheet)
	}
	return &reading.sheet, nil
}

// A sheetReader is a sheet being read.
type sheetReader struct {
	*csv.Reader
	sheet Sheet
	seen  map[string]int // labels, and the line of each
}

// fields gives the next line's fields.
func (s *sheetReader) fields() ([]string, error) {
	fields, err := s.Read()
	if errors.Is(err, io.EOF) {
		return nil, io.EOF
	}
	if errors.Is(err, csv.ErrFieldCount) {
		line, _ := s.FieldPos(0)
		return nil, fmt.Errorf("%w: line %d has %d values, and there are %d columns", ErrSheet, line, len(fields), len(s.sheet.columns))
	}
	if parse, ok := errors.AsType[*csv.ParseError](err); ok {
		return nil, fmt.Errorf("%w: line %d, byte %d: %w", ErrSheet, parse.Line, parse.Column, parse.Err)
	}
	for i, field := range fields {
		if !utf8.ValidString(field) {
			return nil, s.complain(i, "it is no UTF-8 text")
		}
	}
	return fields, err
}

// complain names the place of a field of the line that was read last.
func (s *sheetReader) complain(field int, format string, args ...any) error {
	line, _ := s.FieldPos(field)
	column := fmt.Sprint(field + 1)
	if field < len(s.sheet.columns) {
		column = fmt.Sprintf("%d (%s)", field+1, s.sheet.columns[field])
	}
	return fmt.Errorf("%w: line %d, column %s: %s", ErrSheet, line, column, fmt.Sprintf(format, args...))
}

// header reads the names of the columns.
func (s *sheetReader) header() error {
	names, err := s.fields()
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: it is empty", ErrSheet)
	}
	if err != nil {
		return err
	}
	if len(names) > maxColumns {
		return fmt.Errorf("%w: it has more than %d columns", ErrSheet, maxColumns)
	}
	for i, name := range names {
		switch {
		case len(names) == 1 && strings.ContainsAny(name, ";\t"):
			return s.complain(i, "%q has no comma: columns are parted by commas, and by nothing else", name)
		case name == "":
			return s.complain(i, "the column has no name")
		case !isTemplateName(name):
			return s.complain(i, "%q cannot be used in a template: a name has letters, digits and _, and begins with no digit", name)
		case slices.Contains(names[:i], name):
			return s.complain(i, "there is another column %q", name)
		case slices.Contains(runNames, name):
			return s.complain(i, "%q is a name that every template has already: give the column another", name)
		}
	}
	if !slices.Contains(names, LabelColumn) {
		return fmt.Errorf("%w: line 1: there is no column %q", ErrSheet, LabelColumn)
	}
	s.sheet.columns = names
	return nil
}

// isTemplateName tells whether {{.name}} reaches a value of that name.
func isTemplateName(name string) bool {
	for i, r := range name {
		if r != '_' && !unicode.IsLetter(r) && (i == 0 || !unicode.IsDigit(r)) {
			return false
		}
	}
	return name != ""
}

// row reads one row, or gives io.EOF behind the last.
func (s *sheetReader) row() (Row, error) {
	fields, err := s.fields()
	if err != nil {
		return nil, err
	}
	row := make(Row, len(fields))
	for i, field := range fields {
		row[s.sheet.columns[i]] = field
	}
	at, label := slices.Index(s.sheet.columns, LabelColumn), row.Label()
	if err := CheckLabel(label); err != nil {
		return nil, s.complain(at, "%v", err)
	}
	if line, taken := s.seen[label]; taken {
		return nil, s.complain(at, "line %d has the label %q too", line, label)
	}
	s.seen[label], _ = s.FieldPos(at)
	return row, nil
}

// CheckLabel tells why a text is no label: it is empty, long, begins or ends with a space, or has something in it that cannot be
// seen.
func CheckLabel(label string) error {
	switch {
	case label == "":
		return errors.New("the label is empty")
	case utf8.RuneCountInString(label) > maxLabelLength:
		return fmt.Errorf("the label is longer than %d letters", maxLabelLength)
	case strings.TrimSpace(label) != label:
		return fmt.Errorf("the label %q begins or ends with a space", label)
	case strings.ContainsFunc(label, func(r rune) bool { return !unicode.IsPrint(r) }):
		return fmt.Errorf("the label %q has something in it that cannot be seen", label)
	}
	return nil
}
