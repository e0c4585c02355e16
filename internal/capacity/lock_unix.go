//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package capacity

import (
	"errors"
	"os"
	"syscall"
)

// lockFile locks a file until it is closed, by whatever end of the program. It waits for nobody.
func lockFile(file *os.File) error {
	err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return errLocked
	}
	return err
}
