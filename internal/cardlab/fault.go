package cardlab

import "fmt"

// OpKind is what an operation does.
type OpKind uint8

// The kinds of operations.
const (
	OpWrite OpKind = iota
	OpRead
	OpFlush
	OpDiscard
)

// String gives the kind's name.
func (k OpKind) String() string {
	return [...]string{OpWrite: "write", OpRead: "read", OpFlush: "flush", OpDiscard: "discard"}[k]
}

// An Op is one operation on a card. Number counts them from 0 in the order in which they began.
type Op struct {
	Number      int
	Kind        OpKind
	OffsetBytes int64
	LengthBytes int
}

// A Fault is how an operation fails.
type Fault uint8

// The faults that a test can inject.
const (
	FaultNone     Fault = iota
	FaultError          // EIO, nothing moved
	FaultShort          // half of the sectors moved, then EIO; a flush just fails
	FaultGone           // the card vanishes
	FaultHang           // the card answers no more: this and later calls hang until Release or Pull
	FaultReadOnly       // this and later writes are refused; other operations pass
)

// FailAt is an injector that fails one operation, by its number.
func FailAt(number int, fault Fault) func(Op) Fault {
	return func(op Op) Fault {
		if op.Number == number {
			return fault
		}
		return FaultNone
	}
}

// An Error is an operation that failed. It unwraps to flash.ErrGone, flash.ErrReadOnly or a syscall.Errno.
type Error struct {
	Op  Op
	Err error
}

// Error says which operation failed, and why.
func (e *Error) Error() string {
	return fmt.Sprintf("%s of %d bytes at byte %d: %v", e.Op.Kind, e.Op.LengthBytes, e.Op.OffsetBytes, e.Err)
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }
