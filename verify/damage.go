package verify

// A Kind says what a damaged run of blocks holds instead of the image.
type Kind string

// The kinds of damage, as records and reports show them.
const (
	KindZeros      Kind = "zeros"
	KindOnes       Kind = "ones"
	KindDisplaced  Kind = "displaced"
	KindUnstable   Kind = "unstable"
	KindUnreadable Kind = "unreadable"
	KindChanged    Kind = "changed"
)

// Damage is a run of neighbouring blocks that differ from the image in the same way.
type Damage struct {
	OffsetBytes int64  `json:"offset_bytes"`
	LengthBytes int64  `json:"length_bytes"`
	Kind        Kind   `json:"kind"`
	FromBytes   *int64 `json:"from_bytes"` // displaced: the image offset whose content the first block holds
	Partition   string `json:"partition"`  // which partition and file system it lies in; filled in by the caller
}

// A Proof is the outcome of reading back.
type Proof struct {
	Bytes          int64    `json:"bytes"` // how many bytes of the image were read back and compared
	Seconds        float64  `json:"seconds"`
	BytesPerSecond float64  `json:"bytes_per_s"`
	FromMedium     bool     `json:"from_medium"`     // false where a cache could not be dropped
	TrueSizeBytes  *int64   `json:"true_size_bytes"` // where the damage shows address wrap: how large the card really is
	Damage         []Damage `json:"damage"`
}
