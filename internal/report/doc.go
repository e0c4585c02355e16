// Package report prints results: one flash or check, a partition table, what a card's registers tell, a check of its size, and what the
// logbook holds, as plain text for a terminal or as one JSON document.
//
// It reads results and never starts work, opens no card and no file, and decides no verdict: what it says follows from the
// result it is given. Text from a card or an image is printed without its control characters.
//
// Read next: Document (document.go), Text (text.go), one card's part (card.go), the units (units.go), Identity (identity.go, its
// registers in fields.go), CapacityDocument (capacity.go), the logbook's runs (records.go) and cards (cardrecords.go).
package report
