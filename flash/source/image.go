package source

// Facts are what is known of an image and its source. Before the end of the image was read, digests are empty,
// PackedBytes and ImageBytes may be 0 for unknown or come from a declaration, and Expected is "absent" where no digest
// was found, else empty.
type Facts struct {
	Name         string   `json:"name"`   // base name of the file or URL path; "-" for standard input
	Format       Format   `json:"format"` // raw, xz, gzip, zstd, bzip2, zip
	PackedBytes  int64    `json:"packed_bytes"`
	ImageBytes   int64    `json:"image_bytes"`
	PackedSHA256 string   `json:"packed_sha256"`
	ImageSHA256  string   `json:"image_sha256"`
	Expected     Expected `json:"expected"`
}

// A Format is how a source is packed.
type Format string

// The formats, told by their first bytes.
const (
	FormatRaw   Format = "raw"
	FormatXZ    Format = "xz"
	FormatGzip  Format = "gzip"
	FormatZstd  Format = "zstd"
	FormatBzip2 Format = "bzip2"
	FormatZip   Format = "zip"
)

// Expected says how the digests compare with the one that was published.
type Expected string

// What became of the published digest.
const (
	Matched    Expected = "matched"
	Mismatched Expected = "mismatched"
	Absent     Expected = "absent"
)
