package identity_test

import (
	"fmt"

	"cardwright/internal/identity"
)

// What is printed on a card, as a sentence that says what a buyer may expect of it, and what not.
func ExampleClaims() {
	claims, err := identity.ParseRated("C10 U1 A1")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("The card", claims.Sentence()+".")
	for _, limit := range claims.Limits() {
		fmt.Println(limit)
	}
	// Output:
	// The card claims at least 10 MB/s sequential write (C10, U1) and 1,500/500 random 4 KiB read/write operations per second (A1).
	// Classes other than A1 and A2 promise a minimum rate of sequential writing in whole allocation units, and say nothing of small random writes.
	// A maximum rate printed on a card or its package is no promise.
}
