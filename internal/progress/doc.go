// Package progress shows cards at work, on a terminal as bars and elsewhere in lines, and follows what their meters tell: at which step
// a card is, how far that is, how fast, and how long it will still take.
//
// It only looks at meters, so that a slow terminal slows no card; it starts no work, opens nothing, and draws no batch: what shows bays
// takes from here how one card of them is followed, and the words for its steps.
//
// Read next: Progress.During (progress.go), the bars (bars.go), Track (track.go) and Survey (survey.go), the kinds of work, and Stretch
// (stretch.go), one step of a card.
package progress
