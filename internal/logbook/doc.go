// Package logbook keeps the record of cards, images, runs and traces in one SQLite file, the turns of batches, and of each card what
// it told of itself, what the operator noted of it and the checks of its size. It holds the only SQL.
//
// A run is opened before the first write to its card and closed after the last step; one that was never closed reads as
// unfinished. What is stored is the same Run that reports print.
//
// The package never touches a card, never judges one, and never deletes a run. What is noted of a card is corrected by a later
// row (docs/decisions/0019).
//
// Read next: Run (run.go), Open (book.go), CardRecord (cardrecord.go), the tables (migrations), one file per table (cards.go,
// images.go, runs.go, traces.go, batches.go, turns.go, registers.go, facts.go, makers.go, checks.go), what goes wrong with the
// file (fault.go).
package logbook
