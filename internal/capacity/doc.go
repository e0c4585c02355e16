// Package capacity finds out whether a card is as large as it says: Quick by stamps at chosen places, Full by stamps all over it.
//
// A stamp (stamp.go) tells its own place and run, so that what is read back says not only that it is wrong but where it came from.
// Quick keeps what it overwrites in a rescue, a file, and puts it back, after a crash by RestoreLeftover at the next start. Full erases
// the card, and goes on where it was interrupted. The two share stamps, results, the folder (folder.go) and how calls fail (calls.go);
// what they make of what they read differs: Quick remembers every sight of some thousand places and asks which size explains all of
// them (seen.go), Full sums up in bounded memory (outcome.go).
//
// The package knows nothing of readers, terminals or records, and judges no maker.
//
// Read next: Stamper (stamp.go), Result (result.go), Quick (quick.go: where it stamps in plan.go, its steps in quicksteps.go, its search
// in search.go, what it answers in answer.go), the rescue's file (rescuefile.go), RestoreLeftover (leftover.go), Full (full.go: its
// passes in surface.go, what fails in around.go, its end in conclude.go, its state in resume.go).
package capacity
