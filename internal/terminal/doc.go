// Package terminal speaks with the operator's terminal: it tells whether there is one and how large it is, opens it, and takes in what
// is typed on it, letter by letter and without an echo.
//
// It draws nothing and knows nothing of cards. Where this program runs in the terminal's background it neither reads from it nor sets
// it: either would stop the program in the middle of its work.
//
// Read next: Open and Is (terminal.go), SizeOf (screen.go), Typing (typing.go), what is set on the terminal (mode.go).
package terminal
