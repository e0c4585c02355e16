//go:build device

package e2e_test

// The documents as they are promised to scripts. They are written down here once more, so that a field that changes its
// name or its place is seen.

type flashDocument struct {
	ProgramVersion string    `json:"program_version"`
	StartedAt      string    `json:"started_at"`
	ExitCode       *int      `json:"exit_code"`
	Image          imageDoc  `json:"image"`
	Cards          []cardDoc `json:"cards"`
}

type imageDoc struct {
	Name         string `json:"name"`
	Format       string `json:"format"`
	PackedBytes  int64  `json:"packed_bytes"`
	ImageBytes   int64  `json:"image_bytes"`
	PackedSHA256 string `json:"packed_sha256"`
	ImageSHA256  string `json:"image_sha256"`
	Expected     string `json:"expected"`
}

type cardDoc struct {
	Device       string       `json:"device"`
	Label        string       `json:"label"`
	CardID       int64        `json:"card_id"`
	RunID        int64        `json:"run_id"`
	Verdict      string       `json:"verdict"`
	Pace         string       `json:"pace"`
	PaceReason   string       `json:"pace_reason"`
	TimeToFlash  *float64     `json:"time_to_flash_s"`
	TimeToProven *float64     `json:"time_to_proven_s"`
	SourceWait   *float64     `json:"source_wait_s"`
	Write        *writeDoc    `json:"write"`
	Proof        *proofDoc    `json:"proof"`
	Table        *tableDoc    `json:"table"`
	Findings     []findingDoc `json:"findings"`
	Error        *errorDoc    `json:"error"`
}

type writeDoc struct {
	Bytes     int64   `json:"bytes"`
	Busy      float64 `json:"busy_s"`
	Sustained float64 `json:"sustained_bytes_per_s"`
	Direct    bool    `json:"direct"`
}

type proofDoc struct {
	Bytes      int64       `json:"bytes"`
	FromMedium bool        `json:"from_medium"`
	TrueSize   *int64      `json:"true_size_bytes"`
	Damage     []damageDoc `json:"damage"`
}

type damageDoc struct {
	Offset    int64  `json:"offset_bytes"`
	Length    int64  `json:"length_bytes"`
	Kind      string `json:"kind"`
	From      *int64 `json:"from_bytes"`
	Partition string `json:"partition"`
}

type errorDoc struct {
	Step   string `json:"step"`
	Offset int64  `json:"offset_bytes"`
	Cause  string `json:"cause"`
}

type findingDoc struct {
	Code     string `json:"code"`
	Severity string `json:"severity"`
	Sentence string `json:"sentence"`
	Evidence string `json:"evidence"`
}

type tableDoc struct {
	Kind       string         `json:"kind"`
	ID         string         `json:"id"`
	Sector     int64          `json:"sector_bytes"`
	Size       int64          `json:"size_bytes"`
	Partitions []partitionDoc `json:"partitions"`
	Findings   []findingDoc   `json:"findings"`
}

type partitionDoc struct {
	Number     int            `json:"number"`
	Start      uint64         `json:"start_lba"`
	Sectors    uint64         `json:"sectors"`
	Type       string         `json:"type"`
	Name       string         `json:"name"`
	GUID       string         `json:"guid"`
	Boot       bool           `json:"boot"`
	FileSystem *fileSystemDoc `json:"filesystem"`
}

type fileSystemDoc struct {
	Kind  string `json:"kind"`
	Label string `json:"label"`
	UUID  string `json:"uuid"`
}
