package terminal

import (
	"io"
	"os"

	"golang.org/x/sys/unix"
)

// UsualColumns, by usualLines, is the size of a screen that does not tell its own.
const (
	UsualColumns = 80
	usualLines   = 24
)

// SizeOf gives what asks the terminal behind out for its size, in columns and lines, each time anew and from any goroutine. It is nil
// where there is none to draw on: out is no terminal, or this program runs in its background.
func SizeOf(out io.Writer) func() (columns, lines int) {
	file, ok := out.(*os.File)
	if !ok || !Is(out) || inBackground(file) {
		return nil
	}
	return func() (columns, lines int) {
		columns, lines = UsualColumns, usualLines
		_ = onDescriptor(file, func(fd int) error {
			size, err := unix.IoctlGetWinsize(fd, unix.TIOCGWINSZ)
			if err == nil && size.Col > 0 && size.Row > 0 {
				columns, lines = int(size.Col), int(size.Row)
			}
			return err
		}) // where it does not tell, the usual size is taken
		return columns, lines
	}
}
