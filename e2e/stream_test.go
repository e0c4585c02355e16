//go:build device

package e2e_test

import (
	"iter"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// An eventDoc is one document of a batch's stream.
type eventDoc struct {
	Event   string   `json:"event"`
	At      string   `json:"at"`
	Bay     string   `json:"bay"`
	Device  string   `json:"device"`
	Label   string   `json:"label"`
	Number  int64    `json:"number"`
	Reasons []string `json:"reasons"`

	ProgramVersion string   `json:"program_version"` // this and what follows: of begun
	StartedAt      string   `json:"started_at"`
	Name           string   `json:"name"`
	Image          imageDoc `json:"image"`
	Bays           []bayDoc `json:"bays"`
	Wanted         int      `json:"wanted"`
	DoneBefore     int      `json:"done_before"`

	Pace        string  `json:"pace"` // this and what follows: of slow
	PaceReason  string  `json:"pace_reason"`
	Sustained   float64 `json:"sustained_bytes_per_s"`
	Claim       string  `json:"claim"`
	ClaimRate   float64 `json:"claim_bytes_per_s"`
	Peers       int     `json:"peers"`
	PeersMedian float64 `json:"peers_median_bytes_per_s"`
	PeersSpread float64 `json:"peers_spread_bytes_per_s"`

	Run *cardDoc `json:"run"` // of finished

	ExitCode *int       `json:"exit_code"` // this and what follows: of ended
	Totals   *totalsDoc `json:"totals"`
}

type bayDoc struct {
	Name   string `json:"name"`
	Device string `json:"device"`
	Place  string `json:"place"`
}

type totalsDoc struct {
	Elapsed      float64    `json:"elapsed_s"`
	Intact       int        `json:"intact"`
	Failed       int        `json:"failed"`
	Slow         int        `json:"slow"`
	DoneBefore   int        `json:"done_before"`
	Wanted       int        `json:"wanted"`
	CardsPerHour float64    `json:"cards_per_hour"`
	Fastest      *totalDoc  `json:"fastest"`
	Median       *totalDoc  `json:"median"`
	Slowest      *totalDoc  `json:"slowest"`
	Cards        []totalDoc `json:"cards"`
}

type totalDoc struct {
	At           string   `json:"at"`
	Bay          string   `json:"bay"`
	Label        string   `json:"label"`
	Number       int64    `json:"number"`
	RunID        int64    `json:"run_id"`
	Verdict      string   `json:"verdict"`
	Pace         string   `json:"pace"`
	TimeToFlash  *float64 `json:"time_to_flash_s"`
	TimeToProven *float64 `json:"time_to_proven_s"`
	Sustained    *float64 `json:"sustained_bytes_per_s"`
	Reason       string   `json:"reason"`
}

// A batching is a batch as it runs, and how far its stream was read.
type batching struct {
	*process
	readBytes int
}

// batchOf are the arguments of a batch that asks nothing. Prepared images lie in a folder of the test's own.
func batchOf(store, imagePath string, bays []*bay, more ...string) []string {
	args := []string{"batch", imagePath, "--store", store, "--fixed-ok", "--yes", "--json"}
	for _, y := range bays {
		args = append(args, "--bay", y.name+"="+y.Path())
	}
	return append(args, more...)
}

// A stack is what the calls of one batch have in common.
type stack struct {
	image, store, book string
}

func stackOf(t *testing.T, imagePath string) stack {
	t.Helper()
	dir := t.TempDir()
	return stack{imagePath, filepath.Join(dir, "store"), filepath.Join(dir, "logbook.db")}
}

// begin starts a batch on some bays.
func (s stack) begin(t *testing.T, bays []*bay, more ...string) *batching {
	t.Helper()
	return &batching{process: start(t, command{args: batchOf(s.store, s.image, bays, more...), logbook: s.book})}
}

// runs asks the logbook, with a process of its own.
func (s stack) runs(t *testing.T) []recordDoc {
	t.Helper()
	r := runCommand(t, 0, command{args: []string{"logbook", "list", "--json", "--limit", "500"}, logbook: s.book})
	return decode[logbookDocument](t, r.stdout).Runs
}

// events gives the events as they come, until the program has ended.
func (b *batching) events() iter.Seq[eventDoc] {
	return func(yield func(eventDoc) bool) {
		for e, ok := b.next(); ok; e, ok = b.next() {
			if !yield(e) {
				return
			}
		}
	}
}

// next waits for the next event. It tells false when the program has ended and told all.
func (b *batching) next() (eventDoc, bool) {
	b.t.Helper()
	late, ended := time.After(longestRun), false
	for {
		text, more := b.stdout.next()
		if line, _, whole := strings.Cut(text[b.readBytes:], "\n"); whole {
			b.readBytes += len(line) + 1
			return *decode[eventDoc](b.t, line), true
		}
		if ended {
			return eventDoc{}, false
		}
		select {
		case <-more:
		case <-b.waited:
			ended = true
		case <-late:
			b.t.Fatalf("no event for %v; so far:\n%s%s", longestRun, text, b.stderr.text())
		}
	}
}

// until reads on to the first event of a kind, of one bay where that is named, and gives it.
func (b *batching) until(kind, bay string) eventDoc {
	b.t.Helper()
	for e := range b.events() {
		if e.Event == kind && (bay == "" || e.Bay == bay) {
			return e
		}
	}
	b.t.Fatalf("the batch ended without the event %s of %q:\n%s%s", kind, bay, b.stdout.text(), b.stderr.text())
	return eventDoc{}
}
