package partition

// A Scheme is the kind of partition table found.
type Scheme string

// The schemes. A hybrid is a GPT whose MBR lists partitions beside the protective one.
const (
	SchemeMBR    Scheme = "mbr"
	SchemeGPT    Scheme = "gpt"
	SchemeHybrid Scheme = "hybrid"
	SchemeNone   Scheme = "none"
)

// A Table is what a medium holds: its partition table, or the one file system that fills it without a table.
type Table struct {
	Kind        Scheme      `json:"kind"`
	ID          string      `json:"id"` // MBR: 8 hex digits; GPT: the disk GUID; empty without a table
	SectorBytes int64       `json:"sector_bytes"`
	SizeBytes   int64       `json:"size_bytes"`
	FileSystem  *FileSystem `json:"filesystem"` // of a medium without a table, or of a disc image that has one as well
	Partitions  []Partition `json:"partitions"`
	Findings    []Finding   `json:"findings"`
}

// A Partition is one entry of a table, as found. StartLBA and Sectors count in sectors of Table.SectorBytes.
type Partition struct {
	Number     int         `json:"number"`
	StartLBA   uint64      `json:"start_lba"`
	Sectors    uint64      `json:"sectors"`
	Type       string      `json:"type"` // MBR: two lower-case hex digits; GPT: the type GUID in upper case
	Name       string      `json:"name"`
	GUID       string      `json:"guid"`
	Boot       bool        `json:"boot"`
	FileSystem *FileSystem `json:"filesystem"`
}

// A FileSystem is told by its signature. UUID has the form that blkid prints for its kind.
type FileSystem struct {
	Kind      string `json:"kind"` // fat12, fat16, fat32, exfat, ext2, ext3, ext4, squashfs, btrfs, xfs, f2fs, iso9660, swap, luks1, luks2, erofs, ntfs
	Label     string `json:"label"`
	UUID      string `json:"uuid"`
	SizeBytes int64  `json:"size_bytes"`
}

// A Severity says how much a finding matters.
type Severity string

// The severities: worth knowing, worth a look, and wrong.
const (
	Information Severity = "information"
	Warning     Severity = "warning"
	Fault       Severity = "fault"
)

// A Finding is one thing worth telling: a stable code, how much it matters, a sentence for the operator, and the values
// it rests on.
type Finding struct {
	Code     string   `json:"code"`
	Severity Severity `json:"severity"`
	Sentence string   `json:"sentence"`
	Evidence string   `json:"evidence"`
}
