package main

import (
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"cardwright/internal/project"
	"cardwright/internal/store"
)

// projectFlags say what each card of a batch gets for itself.
type projectFlags struct {
	labels string
	files  string
}

func (f *projectFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.labels, "labels", "", "a CSV `file` with a row for each card: the column label, and any others for --files")
	cmd.Flags().StringVar(&f.files, "files", "", "a `folder` of files for each card's boot partition; each is a template that is "+
		"filled in with the card's row")
}

// A cardsOwn is what each card gets for itself.
type cardsOwn struct {
	sheet   *project.Sheet // nil where there is none
	files   *project.Files // nil for none
	example project.Data   // of a card, as far as it is the same for all
}

// read reads what the flags name, and makes sure that every card can be served. All its errors are wrong usage.
func (f *projectFlags) read(imageName string) (own cardsOwn, err error) {
	if f.labels != "" {
		if own.sheet, err = readSheet(f.labels); err != nil {
			return own, usagef("batch: --labels %s: %w", f.labels, err)
		}
	}
	if f.files == "" {
		return own, nil
	}
	if own.files, err = project.ReadFiles(f.files); err != nil {
		return own, usagef("batch: --files %s: %w", f.files, err)
	}
	own.example = project.Data{Number: 1, Image: imageName, Time: time.Now(), Row: project.Row{project.LabelColumn: "label"}}
	if err := own.files.Check(own.sheet, own.example); err != nil {
		return own, usagef("batch: --files %s: %w", f.files, err)
	}
	return own, nil
}

func readSheet(path string) (sheet *project.Sheet, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	return project.ReadSheet(file)
}

// tryOn puts the first card's files onto the image's boot partition, in memory: what is wrong with that partition, or with the
// room in it, is better known before the first card than after.
func (c cardsOwn) tryOn(prepared *store.Prepared) error {
	first := c.example
	if rows := c.rows(); len(rows) > 0 {
		first.Row = rows[0]
	}
	files, err := c.files.Render(first)
	if err == nil {
		_, err = project.Compose(prepared, prepared.Table(), files, first.Time)
	}
	return err
}

// rows are the sheet's rows; nil where there is none.
func (c cardsOwn) rows() []project.Row {
	if c.sheet == nil {
		return nil
	}
	return c.sheet.Rows()
}

func rowCount(n int) string {
	if n == 1 {
		return "1 row"
	}
	return fmt.Sprintf("%d rows", n)
}

// inWords tells what each card gets; empty for nothing.
func (c cardsOwn) inWords(f projectFlags) (lines []string) {
	if c.sheet != nil {
		lines = append(lines, fmt.Sprintf("The cards get their labels from %s, %s.", f.labels, rowCount(len(c.sheet.Rows()))))
	}
	if c.files != nil {
		lines = append(lines, fmt.Sprintf("The files of %s are put onto each card's boot partition.", f.files))
	}
	return lines
}
