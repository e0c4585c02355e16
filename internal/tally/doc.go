// Package tally is the face of a batch on a terminal: it shows what happens and how the bays are, streams each event as a JSON document,
// has the operator's own command run for it, and prints the totals.
//
// Nothing that takes an event in waits for a terminal, a pipe or a command: events go into queues with room for hundreds of cards. It
// starts no work on cards and decides no exit code; it runs no command but the operator's own.
//
// Read next: Tally.Tell and Tally.Finish (tally.go); what waits for the terminal (news.go), for standard output (stream.go) and for the
// command (onevent.go); an event as a document (eventdocument.go) and in words (eventwords.go); how bays are drawn (painter.go,
// drawing.go).
package tally
