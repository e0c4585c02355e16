package logbook

import (
	"errors"
	"path/filepath"
)

// RootPath is where root keeps its logbook. It follows no variable of the environment, so that what root wrote is found
// again however root was become.
const RootPath = "/var/lib/cardwright/logbook.db"

// ErrNoHome says that the environment names no place for a logbook.
var ErrNoHome = errors.New("no place for a logbook: neither XDG_DATA_HOME nor HOME holds an absolute path")

// DefaultPath is where the logbook of the user with this effective user id lies: RootPath for root, else
// cardwright/logbook.db in XDG_DATA_HOME or, where that is unset or no absolute path, in .local/share of HOME (XDG Base
// Directory Specification 0.8). env looks a variable up, as os.Getenv does.
func DefaultPath(euid int, env func(string) string) (string, error) {
	if euid == 0 {
		return RootPath, nil
	}
	if data := env("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return filepath.Join(data, "cardwright", "logbook.db"), nil
	}
	if home := env("HOME"); filepath.IsAbs(home) {
		return filepath.Join(home, ".local", "share", "cardwright", "logbook.db"), nil
	}
	return "", ErrNoHome
}

// ReadingPath is the logbook that a command which only reads should take: the user's own, but root's where only that one
// exists. exists says whether a file is there; a file that it cannot tell of is not.
func ReadingPath(euid int, env func(string) string, exists func(string) bool) (string, error) {
	own, err := DefaultPath(euid, env)
	if err == nil && (own == RootPath || exists(own)) {
		return own, nil
	}
	if exists(RootPath) {
		return RootPath, nil
	}
	return own, err
}
