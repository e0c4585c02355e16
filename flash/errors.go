package flash

import (
	"errors"
	"fmt"
)

var (
	// ErrTooSmall says that the image does not fit on the card.
	ErrTooSmall = errors.New("the image is larger than the card")
	// ErrGone says that the card no longer answers: it was pulled, or its reader failed.
	ErrGone = errors.New("the card is gone")
	// ErrHeldOthersBack says that the card completed no call for so long that the other cards go on without it.
	ErrHeldOthersBack = errors.New("the card answered no call while the other cards waited")
	// ErrStalled says that a call to the card did not return for so long that it is not waited for any more.
	ErrStalled = errors.New("the card stopped answering")
	// ErrReadOnly says that the card stopped taking writes.
	ErrReadOnly = errors.New("the card takes no writes")
	// ErrNoDiscard says that the card cannot be told what it need not keep. That is no failure.
	ErrNoDiscard = errors.New("the card takes no discards")
	// ErrOtherLength says that the image is not as long as it was when its manifest was made or its free blocks were found out.
	ErrOtherLength = errors.New("the image is not as long as it was when it was looked at before")
	// ErrNoCards says that every card gave up before the image ended.
	ErrNoCards = errors.New("no card is left to write to")
)

// A Step names a part of one card's way. Its text is what records and reports show.
type Step string

// The steps of one card's way, in order.
const (
	StepOpen    Step = "open"
	StepSource  Step = "source"
	StepClear   Step = "clear"
	StepBody    Step = "body"
	StepProof   Step = "proof"
	StepFiles   Step = "files" // a card's own files are put onto its boot partition, and proven
	StepHead    Step = "head"
	StepInspect Step = "inspect"
	StepRecord  Step = "record" // shown while the record is closed; what fails then is no fault of the card
)

// An Error is a failed step of one card: where it happened and why.
type Error struct {
	Step        Step
	OffsetBytes int64 // where on the card
	LengthBytes int64 // how many bytes the failed call was about; 0 for a flush
	Err         error
}

// Error says the step, the place and the cause in one line.
func (e *Error) Error() string {
	return fmt.Sprintf("%s at byte %d: %v", e.Step, e.OffsetBytes, e.Err)
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }
