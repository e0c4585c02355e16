// Package partition reads partition tables and file-system signatures from a card or an image and tells what is odd.
//
// Inspect gives a Table: the partitions, the file system in each, and findings. Compare holds a card's table against the
// image's. Nothing that was found is dropped: what is odd is reported beside its finding.
//
// The package only reads, and trusts no field: no allocation, loop or read follows from a value that was not checked
// against the medium's size. Content that is damaged is a finding; a read that fails is an error.
//
// Occupied tells what a medium holds that would be lost if it were overwritten, and never calls nothing what is not sure to be. An
// Imprint tells whether a medium was written to since it was taken.
//
// An Excerpt keeps what Inspect needs of an image that streams past. Recognise tells from its first bytes whether something
// is an image at all. Locate names the place of a damaged range.
//
// FreeSpace tells which parts of an image its file systems leave free, and is the one place where a wrong answer loses data: it
// answers only for what nothing speaks against.
//
// Read next: Table (table.go), Inspect (inspect.go), Compare (compare.go), Excerpt (excerpt.go), FreeSpace (free.go), Occupied
// (occupied.go), TakeImprint (imprint.go).
package partition
