// Package project makes the files that tell one card of a batch from the next, and finds the sectors of an image's boot partition
// that they change.
//
// A sheet has a row for each card; a folder holds the files, as templates that a row fills in. All that can be wrong with either
// is found before a card is touched: Files.Check renders every row.
//
// The package reads the sheet and the folder that the operator names and writes nothing. Templates see the row and what is known
// of the run, and have Go's own functions, none of which reaches outside.
//
// Read next: ReadSheet (sheet.go), ReadFiles (files.go), Files.Render (render.go), Compose (compose.go).
package project
