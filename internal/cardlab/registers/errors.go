package registers

import "errors"

// ErrField says that a value does not fit the bits of its field.
var ErrField = errors.New("does not fit its field")

// ErrSize says that no card of a kind has such a size.
var ErrSize = errors.New("no size for a card of this kind")

// ErrName says that no sample, or no forgery, goes by a name.
var ErrName = errors.New("unknown name")

// ErrUnfit says that a forgery makes no sense for a card of this kind.
var ErrUnfit = errors.New("not for a card of this kind")
