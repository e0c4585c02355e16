// Command cardwright writes operating-system images to memory cards, proves them, measures them and remembers them.
//
// main only calls run. Each subcommand has a file of its own: flags, then options, then one call into the packages below,
// then the result printed. What a result means as an exit code stands in exit.go alone.
//
// Read next: run (root.go), the flash command (flash.go), the exit codes (exit.go).
package main

import (
	"context"
	"os"
)

func main() {
	ctx, stop := interruptible(context.Background())
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	// A card's call that never returns keeps the process: whoever reads what it printed must see the end all the same. An error of
	// writing came up when it was printed.
	_ = os.Stdout.Close()
	os.Exit(code)
}
