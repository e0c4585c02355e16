package logbook

import (
	"cmp"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/partition"
	"cardwright/verify"
)

// A Verdict says what became of the image on the card.
type Verdict string

// The verdicts. Intact and Damaged need a completed proof.
const (
	Intact     Verdict = "intact"
	Damaged    Verdict = "damaged"
	Unfinished Verdict = "unfinished"
	Refused    Verdict = "refused"
)

// An Operation is what a run did.
type Operation string

// The operations that are recorded.
const (
	OperationFlash Operation = "flash"
	OperationCheck Operation = "check"
)

// A Run is one recorded operation on one card: what is printed and what is stored. Times are in seconds, null where the
// run did not get that far.
type Run struct {
	Device              string              `json:"device"`
	Label               string              `json:"label"`
	CardID              int64               `json:"card_id"`  // 0 when nothing was recorded
	RunID               int64               `json:"run_id"`   // 0 when nothing was recorded
	BatchID             int64               `json:"batch_id"` // 0 outside a batch
	Number              int64               `json:"number"`   // the card's sequence number in its batch; 0 outside one
	Operation           Operation           `json:"operation"`
	StartedAt           time.Time           `json:"started_at"`
	Verdict             Verdict             `json:"verdict"`
	Pace                flash.Pace          `json:"pace"`
	PaceReason          string              `json:"pace_reason"`
	TimeToFlashSeconds  *float64            `json:"time_to_flash_s"`
	TimeToProvenSeconds *float64            `json:"time_to_proven_s"`
	SourceWaitSeconds   *float64            `json:"source_wait_s"`
	Write               *flash.Figures      `json:"write"` // null for a check
	Proof               *verify.Proof       `json:"proof"`
	Table               *partition.Table    `json:"table"`
	Imprint             *partition.Imprint  `json:"imprint"` // of a card that was flashed and is intact, where one can be taken
	Findings            []partition.Finding `json:"findings"`
	Files               []RecordedFile      `json:"files"` // the card's own, written to the boot partition and proven
	Error               *Failure            `json:"error"`
	Conditions          Conditions          `json:"conditions"`
	Registers           *Registers          `json:"registers"` // null where the reader hides them
}

// A RecordedFile is a file that was put onto one card beside the image.
type RecordedFile struct {
	Path   string `json:"path"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// A Failure is the first error of a run: the step, the place and the cause.
type Failure struct {
	Step        flash.Step `json:"step"`
	OffsetBytes int64      `json:"offset_bytes"`
	Cause       string     `json:"cause"`
	Class       Class      `json:"class"`
}

// A Class sorts failures as the exit codes do.
type Class string

// The classes of failure.
const (
	ClassRefused     Class = "refused"     // the target may not be written
	ClassSource      Class = "source"      // the source is bad
	ClassCard        Class = "card"        // the card failed or vanished
	ClassInterrupted Class = "interrupted" // the operator stopped it
	ClassProgram     Class = "program"     // what the program keeps beside the card could not be written or read
)

// Conditions are what a figure depends on beside the card.
type Conditions struct {
	ReaderModel         string  `json:"reader_model"`
	PortPath            string  `json:"port_path"`
	Node                string  `json:"node"`       // the device's or file's path with links followed
	LinkSpeed           string  `json:"link_speed"` // as the kernel tells it, "480" for USB in Mbit/s
	Kernel              string  `json:"kernel"`
	ProgramVersion      string  `json:"program_version"`
	Direct              bool    `json:"direct"`
	CardsAtOnce         int     `json:"cards_at_once"` // how many cards shared the source
	SkipFree            bool    `json:"skip_free"`     // whether free space of the image was left out
	Discard             bool    `json:"discard"`       // whether the card was told that it need not keep what was left out
	CardSizeBytes       int64   `json:"card_size_bytes"`
	FloorBytesPerSecond float64 `json:"floor_bytes_per_s"` // 0 when none was asked for
	CardRegisterCID     string  `json:"cid"`               // 32 hex digits, empty where the reader hides it
	Claim               string  `json:"claim"`             // the marks of the claim that the pace was held against: "U3, V30"
	ClaimBytesPerSecond float64 `json:"claim_bytes_per_s"` // the least that they promise; 0 where no claim is known
	ClaimSource         string  `json:"claim_source"`      // one of those below; empty where no claim is known
	BusMode             string  `json:"bus_mode"`          // "sd high-speed", "USB at 480 Mbit/s"
	BusBytesPerSecond   float64 `json:"bus_bytes_per_s"`   // the most that can pass over the bus; 0 where that is not known
	BusWasTheLimit      bool    `json:"bus_was_the_limit"`
	SourceWasTheLimit   bool    `json:"source_was_the_limit"`
	PeersCount          int     `json:"peers"` // how many peers the pace was held against
	PeersMedian         float64 `json:"peers_median_bytes_per_s"`
	PeersSpread         float64 `json:"peers_spread_bytes_per_s"` // 1.4826 x MAD
	KernelRereadTable   bool    `json:"kernel_reread_table"`
	CacheDropComplaint  string  `json:"cache_drop_complaint"` // why reads may have come from a cache; empty when they did not
}

// Where a claim is known from.
const (
	ClaimByRegisters = "registers" // the card's own
	ClaimPrinted     = "printed"   // what the operator typed as printed on the card
)

// Bay is the reader's fixed place: its port path, or the device node where no port path is known.
func (r *Run) Bay() string { return cmp.Or(r.Conditions.PortPath, r.Conditions.Node, r.Device) }

// A Record is a run as the logbook holds it, with the image it belongs to.
type Record struct {
	Run
	Image source.Facts `json:"image"`
}
