//go:build device

package e2e_test

// The documents as they are promised to scripts. They are written down here once more, so that a field that changes its
// name or its place is seen.

type stampDoc struct {
	ProgramVersion string `json:"program_version"`
	StartedAt      string `json:"started_at"`
	ExitCode       *int   `json:"exit_code"`
}

type flashDocument struct {
	stampDoc
	Image imageDoc  `json:"image"`
	Cards []cardDoc `json:"cards"`
}

type inspectDocument struct {
	stampDoc
	tableDoc
}

type logbookDocument struct {
	stampDoc
	Runs []recordDoc `json:"runs"`
}

type recordDoc struct {
	cardDoc
	Image imageDoc `json:"image"`
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
	BatchID      int64        `json:"batch_id"`
	Number       int64        `json:"number"`
	Operation    string       `json:"operation"`
	StartedAt    string       `json:"started_at"`
	Verdict      string       `json:"verdict"`
	Pace         string       `json:"pace"`
	PaceReason   string       `json:"pace_reason"`
	TimeToFlash  *float64     `json:"time_to_flash_s"`
	TimeToProven *float64     `json:"time_to_proven_s"`
	SourceWait   *float64     `json:"source_wait_s"`
	Write        *writeDoc    `json:"write"`
	Proof        *proofDoc    `json:"proof"`
	Table        *tableDoc    `json:"table"`
	Imprint      *imprintDoc  `json:"imprint"`
	Findings     []findingDoc `json:"findings"`
	Files        []fileDoc    `json:"files"`
	Error        *errorDoc    `json:"error"`
	Conditions   conditionDoc `json:"conditions"`
	Registers    *registerDoc `json:"registers"`
}

type registerDoc struct {
	Kind       string `json:"kind"`
	CID        string `json:"cid"`
	CSD        string `json:"csd"`
	SCR        string `json:"scr"`
	SSR        string `json:"ssr"`
	Capacity   int64  `json:"capacity_bytes"`
	AU         int64  `json:"au_bytes"`
	SpeedClass int    `json:"speed_class"`
	UHSGrade   int    `json:"uhs_grade"`
	VideoClass int    `json:"video_class"`
	AppClass   int    `json:"app_class"`
}

type imprintDoc struct {
	Identity    string      `json:"identity"`
	Digest      string      `json:"digest"`
	TableDigest string      `json:"table_digest"`
	Size        int64       `json:"size_bytes"`
	Volumes     []volumeDoc `json:"volumes"`
}

type volumeDoc struct {
	Number    int     `json:"number"`
	Kind      string  `json:"kind"`
	Label     string  `json:"label"`
	UUID      string  `json:"uuid"`
	Start     uint64  `json:"start_bytes"`
	Length    uint64  `json:"length_bytes"`
	Digest    string  `json:"digest"`
	Mounts    int64   `json:"mounts"`
	WrittenAt *string `json:"written_at"`
}

type fileDoc struct {
	Path   string `json:"path"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

type conditionDoc struct {
	ReaderModel       string  `json:"reader_model"`
	PortPath          string  `json:"port_path"`
	LinkSpeed         string  `json:"link_speed"`
	Node              string  `json:"node"`
	Kernel            string  `json:"kernel"`
	ProgramVersion    string  `json:"program_version"`
	Direct            bool    `json:"direct"`
	CardsAtOnce       int     `json:"cards_at_once"`
	SkipFree          bool    `json:"skip_free"`
	Discard           bool    `json:"discard"`
	CardSize          int64   `json:"card_size_bytes"`
	Floor             float64 `json:"floor_bytes_per_s"`
	CID               string  `json:"cid"`
	Claim             string  `json:"claim"`
	ClaimRate         float64 `json:"claim_bytes_per_s"`
	ClaimSource       string  `json:"claim_source"`
	BusMode           string  `json:"bus_mode"`
	BusRate           float64 `json:"bus_bytes_per_s"`
	BusWasTheLimit    bool    `json:"bus_was_the_limit"`
	SourceWasTheLimit bool    `json:"source_was_the_limit"`
	Peers             int     `json:"peers"`
	PeersMedian       float64 `json:"peers_median_bytes_per_s"`
	PeersSpread       float64 `json:"peers_spread_bytes_per_s"`
	Reread            bool    `json:"kernel_reread_table"`
	CacheComplaint    string  `json:"cache_drop_complaint"`
}

type writeDoc struct {
	Bytes     int64   `json:"bytes"`
	Skipped   int64   `json:"skipped_bytes"`
	Busy      float64 `json:"busy_s"`
	Sustained float64 `json:"sustained_bytes_per_s"`

	WindowLow    *float64   `json:"window_low_bytes_per_s"`
	WindowP5     *float64   `json:"window_p5_bytes_per_s"`
	WindowMedian *float64   `json:"window_median_bytes_per_s"`
	Direct       bool       `json:"direct"`
	Stalls       []stallDoc `json:"stalls"`
	Cliff        *cliffDoc  `json:"cliff"`
}

type stallDoc struct {
	Offset  int64   `json:"offset_bytes"`
	Seconds float64 `json:"seconds"`
}

type cliffDoc struct {
	Offset int64   `json:"offset_bytes"`
	Before float64 `json:"before_bytes_per_s"`
	After  float64 `json:"after_bytes_per_s"`
}

type proofDoc struct {
	Bytes      int64       `json:"bytes"`
	Seconds    float64     `json:"seconds"`
	Rate       float64     `json:"bytes_per_s"`
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
	Class  string `json:"class"`
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
	FileSystem *fileSystemDoc `json:"filesystem"`
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
	Size  int64  `json:"size_bytes"`
}

type listDocument struct {
	stampDoc
	Cards []listingDoc `json:"cards"`
}

type listingDoc struct {
	Device         string    `json:"device"`
	Kind           string    `json:"kind"`
	Model          string    `json:"model"`
	Transport      string    `json:"transport"`
	PortPath       string    `json:"port_path"`
	LinkSpeed      string    `json:"link_speed"`
	Serial         string    `json:"serial"`
	CID            string    `json:"cid"`
	Bus            busDoc    `json:"bus"`
	Size           int64     `json:"size_bytes"`
	Sector         int64     `json:"sector_bytes"`
	Removable      bool      `json:"removable"`
	MountedAt      []string  `json:"mounted_at"`
	Contents       string    `json:"contents"`
	Unreadable     string    `json:"unreadable"`
	Table          *tableDoc `json:"table"`
	WriteProtected bool      `json:"write_protected"`
	Allowed        bool      `json:"allowed"`
	Reasons        []string  `json:"reasons"`
	WithFixedOK    bool      `json:"allowed_with_fixed_ok"`
}

type busDoc struct {
	Mode      string  `json:"mode"`
	ClockHz   int64   `json:"clock_hz"`
	WidthBits int     `json:"width_bits"`
	Rate      float64 `json:"bytes_per_s"`
}
