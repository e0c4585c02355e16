package device

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// A Claim is a program's right to a bay's place. The kernel drops it when the program ends, however it ends.
type Claim struct{ socket *os.File }

// Claim keeps every other program of this kind that claims the place out of it: between two cards nobody has the reader open, and
// the card that one program has just proven would be the next one's to erase. It is the name of a socket that nobody speaks to
// (unix(7), "Abstract sockets"), so that it leaves nothing behind, and needs no folder. A place that is taken is a *Refusal.
func (b *Bay) Claim() (*Claim, error) {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, refuse(b.Place(), errors.Join(ErrNotAllowed, err), "whether another program works in it cannot be told: %v", err)
	}
	c := &Claim{os.NewFile(uintptr(fd), "claim of "+b.Place())}
	err = unix.Bind(fd, &unix.SockaddrUnix{Name: "@cardwright/bay/" + b.Place()})
	switch {
	case err == nil:
		return c, nil
	case errors.Is(err, unix.EADDRINUSE):
		err = refuse(b.Place(), errors.Join(ErrBusy, err), "another batch works in this reader: end that one, or name another reader")
	default:
		err = refuse(b.Place(), errors.Join(ErrNotAllowed, err), "whether another program works in it cannot be told: %v", err)
	}
	return nil, errors.Join(err, c.Close())
}

// Close lets others claim the place.
func (c *Claim) Close() error { return c.socket.Close() }
