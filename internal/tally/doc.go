// Package tally is the face of a batch on a terminal: it shows what happens and how the bays are, streams each event as a JSON document,
// has the operator's own command run for it, and prints the totals.
//
// Whoever tells an event never waits for a terminal, a pipe or a command: events go into queues, and what finds no room there is counted
// and told. It starts no work on cards, runs no command but the operator's own, and of exit codes only chooses between the two that it
// is given.
//
// Read next: Tally.Tell and Tally.Finish (tally.go); what waits for the terminal (news.go), for standard output (stream.go) and for the
// command (onevent.go); an event as a document (eventdocument.go) and in words (eventwords.go); how bays are drawn (painter.go,
// drawing.go).
package tally
