//go:build device

package e2e_test

// More of the documents as they are promised to scripts: those about a card itself, see contract_test.go.

type capacityDocument struct {
	stampDoc
	Device     string       `json:"device"`
	Label      string       `json:"label"`
	CardID     int64        `json:"card_id"`
	CheckID    int64        `json:"check_id"`
	Leftover   *leftoverDoc `json:"leftover"`
	Claimed    int64        `json:"claimed_bytes"`
	True       *int64       `json:"true_bytes"`
	Verdict    string       `json:"verdict"`
	Mode       string       `json:"mode"`
	Bad        []rangeDoc   `json:"bad_ranges"`
	LeftOut    int          `json:"ranges_left_out"`
	Miss       float64      `json:"chance_to_miss"`
	Missing    float64      `json:"missing_fraction"`
	Places     int          `json:"random_places"`
	Restored   *bool        `json:"restored"`
	Rescue     string       `json:"rescue"`
	Seed       string       `json:"seed"`
	Write      *writeDoc    `json:"write"`
	Read       *writeDoc    `json:"read"`
	WriteTrace []partDoc    `json:"write_trace"`
	ReadTrace  []partDoc    `json:"read_trace"`
	ResumedAt  int64        `json:"resumed_at_bytes"`
	Seconds    float64      `json:"seconds"`
	Findings   []findingDoc `json:"findings"`
	Error      *errorDoc    `json:"error"`
}

type rangeDoc struct {
	Offset int64  `json:"offset_bytes"`
	Length int64  `json:"length_bytes"`
	Kind   string `json:"kind"`
	From   int64  `json:"from_bytes"`
}

type partDoc struct {
	Offset int64   `json:"offset_bytes"`
	Rate   float64 `json:"bytes_per_s"`
}

type leftoverDoc struct {
	PutBack   []string   `json:"put_back"`
	NotWhole  []string   `json:"not_whole"`
	Left      []rangeDoc `json:"left"`
	Elsewhere []string   `json:"elsewhere"`
	InUse     []string   `json:"in_use"`
	Damaged   []string   `json:"unreadable"`
}

type identityDocument struct {
	stampDoc
	Device       string         `json:"device"`
	Kind         *string        `json:"kind"`
	Hidden       string         `json:"hidden"`
	Unread       []unreadDoc    `json:"unread"`
	Size         int64          `json:"size_bytes"`
	BusMode      string         `json:"bus_mode"`
	BusRate      float64        `json:"bus_bytes_per_s"`
	CID          *cidDoc        `json:"cid"`
	CSD          *csdDoc        `json:"csd"`
	SCR          *scrDoc        `json:"scr"`
	SSR          *ssrDoc        `json:"ssr"`
	Health       *healthDoc     `json:"health"`
	Claims       []promiseDoc   `json:"claims"`
	ClaimSource  string         `json:"claim_source"`
	Maker        string         `json:"maker"`
	Card         *knownCardDoc  `json:"card"`
	ProductCards []knownCardDoc `json:"product_cards"`
	Findings     []findingDoc   `json:"findings"`
}

type unreadDoc struct {
	File string `json:"file"`
	Why  string `json:"why"`
}

type fieldDoc struct {
	Name    string `json:"name"`
	Bits    string `json:"bits"`
	Raw     string `json:"raw"`
	Meaning string `json:"meaning"`
}

type cidDoc struct {
	Raw          string     `json:"raw"`
	Maker        string     `json:"manufacturer_id"`
	OEM          string     `json:"oem_id"`
	Name         string     `json:"name"`
	Revision     string     `json:"revision"`
	Serial       string     `json:"serial"`
	Manufactured string     `json:"manufactured"`
	CRCOK        *bool      `json:"crc_ok"`
	Fields       []fieldDoc `json:"fields"`
}

type csdDoc struct {
	Raw       string     `json:"raw"`
	Structure string     `json:"structure"`
	Capacity  int64      `json:"capacity_bytes"`
	CRCOK     *bool      `json:"crc_ok"`
	Fields    []fieldDoc `json:"fields"`
}

type scrDoc struct {
	Raw         string     `json:"raw"`
	SpecVersion string     `json:"spec_version"`
	Fields      []fieldDoc `json:"fields"`
}

type ssrDoc struct {
	Raw        string     `json:"raw"`
	SpeedClass int        `json:"speed_class"`
	UHSGrade   int        `json:"uhs_grade"`
	VideoClass int        `json:"video_class"`
	AppClass   int        `json:"app_class"`
	AU         int64      `json:"au_bytes"`
	Discard    bool       `json:"discard"`
	Fields     []fieldDoc `json:"fields"`
}

type healthDoc struct {
	LifeTimeA string     `json:"life_time_a"`
	LifeTimeB string     `json:"life_time_b"`
	PreEOL    string     `json:"pre_eol"`
	Fields    []fieldDoc `json:"fields"`
}

type promiseDoc struct {
	Marks   []string `json:"marks"`
	Kind    string   `json:"kind"`
	AtLeast float64  `json:"at_least"`
	Unit    string   `json:"unit"`
}

type knownCardsDocument struct {
	stampDoc
	Cards []knownCardDoc `json:"cards"`
}

type knownCardDoc struct {
	CardID       int64             `json:"card_id"`
	Label        string            `json:"label"`
	Labels       []string          `json:"labels"`
	CID          string            `json:"cid"`
	Maker        string            `json:"maker"`
	Size         int64             `json:"size_bytes"`
	Registers    *registerDoc      `json:"registers"`
	Facts        map[string]string `json:"facts"`
	Runs         int               `json:"runs"`
	LastRun      *lastRunDoc       `json:"last_run"`
	LastFlash    *lastRunDoc       `json:"last_flash"`
	LastCapacity *lastCapacityDoc  `json:"last_capacity"`
	WriteRate    float64           `json:"write_bytes_per_s"`
}

type lastRunDoc struct {
	RunID     int64    `json:"run_id"`
	Operation string   `json:"operation"`
	StartedAt string   `json:"started_at"`
	Verdict   string   `json:"verdict"`
	Pace      string   `json:"pace"`
	Sustained *float64 `json:"sustained_bytes_per_s"`
}

type lastCapacityDoc struct {
	CheckID   int64  `json:"check_id"`
	StartedAt string `json:"started_at"`
	Mode      string `json:"mode"`
	Verdict   string `json:"verdict"`
	Claimed   int64  `json:"claimed_bytes"`
	True      *int64 `json:"true_bytes"`
}
