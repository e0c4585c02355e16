package identity

import (
	"encoding/json"
	"fmt"
)

// An ID is a number of one byte that is assigned to a maker.
type ID uint8

// String gives it as the kernel's tools and data sheets do, "0x1b".
func (i ID) String() string { return fmt.Sprintf("0x%02x", uint8(i)) }

// MarshalJSON gives it as text, as String does.
func (i ID) MarshalJSON() ([]byte, error) { return json.Marshal(i.String()) }

// A Serial is a product serial number.
type Serial uint32

// String gives it as the kernel does, "0x12345678".
func (s Serial) String() string { return fmt.Sprintf("0x%08x", uint32(s)) }

// MarshalJSON gives it as text, as String does.
func (s Serial) MarshalJSON() ([]byte, error) { return json.Marshal(s.String()) }
