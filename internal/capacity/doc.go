// Package capacity finds out whether a card is as large as it says: Quick by stamps at chosen places, Full by stamps all over it.
//
// A stamp (stamp.go) tells its own place and run, so that what is read back says not only that it is wrong but where it came from.
// Quick keeps what it overwrites in a Rescue and puts it back; Full erases the card, and goes on where it was interrupted.
//
// The package knows nothing of readers, terminals or records, and judges no maker.
//
// Read next: Stamper (stamp.go), Result (result.go), Quick (quick.go), Full (full.go), Rescue (rescue.go).
package capacity
