// Package logbook keeps the record of cards, images, runs and traces in one SQLite file. It holds the only SQL.
//
// A run is opened before the first write to its card and closed after the last step; one that was never closed reads as
// unfinished. What is stored is the same Run that reports print.
//
// Read next: Run (run.go), Open (book.go).
package logbook
