// Package capacity finds out whether a card is as large as it says: Quick by stamps at chosen places, Full by stamps all over it.
//
// A stamp (stamp.go) tells its own place and run, so that what is read back says not only that it is wrong but where it came from.
// Quick keeps what it overwrites in a rescue, a file, and puts it back, after a crash by RestoreLeftover at the next start; Full erases the card, and goes on where it was interrupted.
//
// The package knows nothing of readers, terminals or records, and judges no maker.
//
// Read next: Stamper (stamp.go), Result (result.go), Quick (quick.go, its steps in quicksteps.go), what the sights mean (seen.go), the
// rescue's file (rescuefile.go), RestoreLeftover (leftover.go), Full (full.go).
package capacity
