package project_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/project"
)

// The form is that of RFC 4180: commas, quotes doubled within quotes, line breaks within them, CR LF between lines.
func TestSheetIsReadAsWritten(t *testing.T) {
	sheet, err := project.ReadSheet(strings.NewReader("\ufefflabel,hostname,note\r\nrow 7,tree-7,\"a, \"\"b\"\"\nc\"\r\n\r\nrow 8,tree-8,\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := []project.Row{
		{"label": "row 7", "hostname": "tree-7", "note": "a, \"b\"\nc"},
		{"label": "row 8", "hostname": "tree-8", "note": ""},
	}
	if diff := cmp.Diff(want, sheet.Rows()); diff != "" {
		t.Error(diff)
	}
	if label := sheet.Rows()[1].Label(); label != "row 8" {
		t.Errorf("label %q", label)
	}
}

// Each sheet is bad in one way, which the error tells with its line and column.
func TestBadSheetsAreRefusedWithThePlace(t *testing.T) {
	for name, c := range map[string]struct{ text, place string }{
		"empty":              {"", ""},
		"only a mark":        {"\ufeff", ""},
		"no row":             {"label\n", ""},
		"no label column":    {"hostname\nx\n", "line 1"},
		"label in capitals":  {"Label\nx\n", "line 1"},
		"column without":     {"label,,x\na,b,c\n", "line 1, column 2"},
		"column twice":       {"label,x,x\na,b,c\n", "line 1, column 3"},
		"column of the run":  {"label,number\na,1\n", "line 1, column 2"},
		"column with space":  {"label, x\na,b\n", "line 1, column 2"},
		"column with digit":  {"label,1x\na,b\n", "line 1, column 2"},
		"column with dash":   {"label,host-name\na,b\n", "line 1, column 2"},
		"semicolons":         {"label;x\na;b\n", "columns are parted by commas"},
		"tabulators":         {"label\tx\na\tb\n", "columns are parted by commas"},
		"too few fields":     {"label,x\na,b\nc\n", "line 3 has 1 values, and there are 2 columns"},
		"too many fields":    {"label,x\na,b,c\n", "line 2 has 3 values, and there are 2 columns"},
		"open quote":         {"label,x\na,\"b\n", "line 2"},
		"stray quote":        {"label,x\na,b\"c\n", "line 2"},
		"label empty":        {"label,x\na,b\n,c\n", "line 3, column 1 (label)"},
		"label twice":        {"x,label\n1,a\n2,b\n3,a\n", "line 4, column 2 (label)"},
		"label with control": {"label\na\x1b[2J\n", "line 2, column 1 (label)"},
		"label of spaces":    {"label\n\" a\"\n", "line 2, column 1 (label)"},
		"label too long":     {"label\n" + strings.Repeat("ü", 101) + "\n", "line 2, column 1 (label)"},
		"no text":            {"label,x\na,\xff\n", "line 2, column 2 (x)"},
		"too many columns":   {"label" + strings.Repeat(",x", 100) + "\n", ""},
		"too many rows":      {"label\n" + numbered(10_001), ""},
		"too long":           {"label,x\na," + strings.Repeat("x", 4<<20) + "\n", ""},
	} {
		sheet, err := project.ReadSheet(strings.NewReader(c.text))
		if !errors.Is(err, project.ErrSheet) || sheet != nil {
			t.Errorf("%s: %v, %v", name, sheet, err)
			continue
		}
		if !strings.Contains(err.Error(), c.place) {
			t.Errorf("%s: %v names no place %q", name, err, c.place)
		}
	}
	sheet, err := project.ReadSheet(strings.NewReader("label\n" + numbered(10_000)))
	if err != nil || len(sheet.Rows()) != 10_000 {
		t.Errorf("the largest sheet: %v", err)
	}
}

func numbered(rows int) string {
	var text strings.Builder
	for i := range rows {
		fmt.Fprintln(&text, i)
	}
	return text.String()
}
