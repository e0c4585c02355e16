// Package source opens an operating-system image wherever it is and however it is packed, and gives its decoded bytes.
//
// Open tells the format by its first bytes, never by its name. Reading an Image gives the decoded bytes; the digests of the
// packed and of the decoded bytes grow in the same pass, and io.EOF comes only after the container ended soundly and every
// expected digest matched. No name found inside an archive is ever used as a path.
//
// Read next: Open (open.go), Image (image.go).
package source
