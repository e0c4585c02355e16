package device

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"golang.org/x/sys/unix"
)

// Options say how a target is opened. The zero value opens it for writing, by the rule.
type Options struct {
	Policy
	// ReadOnly opens for reading: not exclusively, and a disk in use is allowed.
	ReadOnly bool
	// Roots are where the kernel's trees are; the zero value is this machine's.
	Roots Roots
}

// Open opens the disk or regular file at path, links followed. A target that may not be used is a *Refusal that wraps
// ErrNotADisk, ErrNotAllowed, ErrBusy or ErrChanged beside the cause.
//
// Nothing is opened for writing before it was judged by its number: opening alone has effects on some devices.
func Open(ctx context.Context, path string, o Options) (*Card, error) {
	o.Roots = o.Roots.withDefaults()
	return open(ctx, &Card{path: path, options: o})
}

// open opens what stands at the card's path, by the card's options, and for a bay only the disk that was seen in it.
func open(ctx context.Context, c *Card) (*Card, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	var err error
	if c.node, c.info, err = find(c.path); err != nil {
		return nil, err
	}
	switch mode := c.info.Mode(); {
	case blockMode(mode):
		err = c.openDisk(ctx)
	case c.seat != nil:
		return nil, refuse(c.path, ErrNotADisk, "it is %s; a card in a reader is needed", kindOf(mode))
	case mode.IsRegular():
		err = c.openFile()
	default:
		return nil, refuse(c.path, ErrNotADisk, "it is %s; a whole disk or a regular file is needed", kindOf(mode))
	}
	if err != nil {
		if c.file != nil {
			err = errors.Join(err, c.file.Close())
		}
		return nil, err
	}
	c.describe()
	return c, nil
}

// find follows the links of a path and looks at what they lead to.
func find(path string) (node string, info os.FileInfo, err error) {
	if node, err = filepath.EvalSymlinks(path); err != nil {
		return "", nil, refuse(path, errors.Join(ErrNotADisk, err), "it cannot be found: %v", plain(err))
	}
	if info, err = os.Stat(node); err != nil {
		return "", nil, refuse(path, errors.Join(ErrNotADisk, err), "it cannot be looked at: %v", plain(err))
	}
	return node, info, nil
}

func kindOf(mode os.FileMode) string {
	switch {
	case mode.IsRegular():
		return "a regular file"
	case mode.IsDir():
		return "a directory"
	case mode&os.ModeCharDevice != 0:
		return "a character device"
	case mode&os.ModeNamedPipe != 0:
		return "a FIFO"
	case mode&os.ModeSocket != 0:
		return "a socket"
	}
	return "of an unknown kind"
}

func (c *Card) openDisk(ctx context.Context) error {
	number, _ := blockNumber(c.info)
	if _, err := c.judged(number); err != nil {
		if !c.asleep(number) {
			return err
		}
		// Where the kernel does not look for media by itself, it does when the disk is opened for reading.
		wake(c.node)
		if _, err := c.judged(number); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	flags := unix.O_CLOEXEC | unix.O_RDONLY
	if !c.options.ReadOnly {
		flags = unix.O_CLOEXEC | unix.O_RDWR | unix.O_EXCL
	}
	if err := c.openDirect(flags); err != nil {
		return err
	}
	return c.settle(number)
}

// openDirect opens past the kernel's cache, or through it where the disk allows nothing else.
func (c *Card) openDirect(flags int) error {
	c.direct = true
	fd, err := openRetry(c.node, flags|unix.O_DIRECT)
	if errors.Is(err, unix.EINVAL) {
		c.direct = false
		fd, err = openRetry(c.node, flags)
	}
	if err != nil {
		return refusedOpen(c.path, err)
	}
	c.file = os.NewFile(uintptr(fd), c.node)
	return nil
}

func openRetry(path string, flags int) (int, error) {
	for {
		fd, err := unix.Open(path, flags, 0)
		if !errors.Is(err, unix.EINTR) {
			return fd, err
		}
	}
}

func refusedOpen(path string, err error) error {
	switch {
	case errors.Is(err, unix.EBUSY):
		return refuse(path, errors.Join(ErrBusy, err), "it is in use: mounted, held, or opened by another program")
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return refuse(path, errors.Join(ErrNotAllowed, err), "this user has no permission to open it: %v", err)
	case errors.Is(err, unix.ETXTBSY):
		return refuse(path, errors.Join(ErrBusy, err), "it is a program that is running")
	case errors.Is(err, unix.EROFS):
		return refuse(path, errors.Join(ErrNotAllowed, err), "it is write-protected")
	case errors.Is(err, unix.ENOMEDIUM):
		return refuse(path, errors.Join(ErrNotAllowed, err), "there is no card in it")
	}
	return refuse(path, errors.Join(ErrNotAllowed, err), "it cannot be opened: %v", err)
}

// settle holds what the descriptor says against a fresh snapshot, and keeps the disk as judged.
func (c *Card) settle(number DevNumber) error {
	said, err := askKernel(c.file)
	if err != nil {
		return refuse(c.path, errors.Join(ErrNotAllowed, err), "the kernel does not tell what was opened: %v", err)
	}
	if said.dev != number {
		return refuse(c.path, ErrChanged, "it became another disk while it was opened")
	}
	d, err := c.judged(said.dev)
	if err != nil {
		return err
	}
	if reasons := said.contradictions(d); len(reasons) > 0 {
		return &Refusal{Path: c.path, Reasons: reasons, Err: ErrChanged}
	}
	c.disk, c.sizeBytes, c.sectorBytes = d, said.sizeBytes, int(said.sectorBytes)
	return nil
}

// judged finds the whole disk of a number in a fresh snapshot and judges it for what it is opened for.
func (c *Card) judged(number DevNumber) (*Disk, error) {
	s, err := ReadSnapshot(c.options.Roots)
	if err != nil {
		return nil, refuse(c.path, errors.Join(ErrNotAllowed, err), "%v", err)
	}
	d, err := s.wholeDisk(c.path, number)
	if err != nil {
		return nil, err
	}
	if c.seat != nil {
		if reasons := c.seat.contradictions(s, d); len(reasons) > 0 {
			return nil, &Refusal{Path: c.path, Reasons: reasons, Err: ErrChanged}
		}
	}
	c.description.MountedAt, c.description.Twins = s.mountedAt(d), s.twins(d, c.options.Roots)
	var j Judgement
	if c.options.ReadOnly {
		j = readable(s, d)
	} else {
		j = Judge(s, d, c.options.Policy)
	}
	if !j.Allowed {
		return nil, &Refusal{Path: c.path, Reasons: j.Reasons, Err: ErrNotAllowed}
	}
	return d, nil
}

// wholeDisk finds the disk of a number; its error says what else has the number.
func (s *Snapshot) wholeDisk(path string, number DevNumber) (*Disk, error) {
	if d := s.DiskByNumber(number); d != nil {
		return d, nil
	}
	if whole, p := s.PartitionByNumber(number); p != nil {
		return nil, refuse(path, ErrNotADisk, "it is partition %d of %s; a whole disk is needed", p.Number, whole.Name)
	}
	return nil, refuse(path, ErrNotADisk, "the kernel lists no whole disk of number %s", number)
}

// readable judges a disk for reading: being in use does no harm, but it must be known what it is.
func readable(s *Snapshot, d *Disk) Judgement {
	j := &judging{snapshot: s, disk: d, graph: newGraph(s)}
	j.kind()
	j.ownGaps()
	if d.SizeBytes == 0 {
		j.state()
	}
	return Judgement{Allowed: len(j.reasons) == 0, Reasons: j.reasons}
}

// asleep tells whether a disk might have a card that the kernel has not looked for yet.
func (c *Card) asleep(number DevNumber) bool {
	s, err := ReadSnapshot(c.options.Roots)
	if err != nil {
		return false
	}
	d := s.DiskByNumber(number)
	return d != nil && d.SizeBytes == 0 && d.Removable && cardLike(d) && !neverOffered(d)
}

// wake opens a disk for reading and closes it again. What came of it is seen in the next snapshot.
func wake(node string) bool {
	fd, err := openRetry(node, unix.O_RDONLY|unix.O_CLOEXEC)
	if err != nil {
		return false
	}
	return unix.Close(fd) == nil
}

// Recheck looks once more, right before the first write, whether this is still the target that was judged, and judges it
// again. Its error is a *Refusal.
func (c *Card) Recheck() error {
	if c.disk == nil {
		return c.recheckFile()
	}
	said, err := askKernel(c.file)
	if err != nil {
		return refuse(c.path, errors.Join(ErrChanged, classify(err, false)), "it no longer answers: %v", err)
	}
	now, err := c.judged(said.dev)
	if err != nil {
		return err
	}
	reasons := said.contradictions(now)
	if !c.pathLeadsTo(now) {
		reasons = append(reasons, "its path leads to another device now, or nowhere; list the cards and name it anew")
	}
	differ := func(what string, before, after any) {
		if before != after {
			reasons = append(reasons, fmt.Sprintf("its %s was %v and is now %v", what, before, after))
		}
	}
	differ("size in bytes", c.disk.SizeBytes, now.SizeBytes)
	differ("sector size", c.disk.LogicalSectorBytes, now.LogicalSectorBytes)
	differ("media count", c.disk.DiskSeq, now.DiskSeq)
	differ("serial", c.disk.Serial, now.Serial)
	differ("card register CID", c.disk.CID, now.CID)
	if len(reasons) > 0 {
		return &Refusal{Path: c.path, Reasons: reasons, Err: ErrChanged}
	}
	return nil
}

// pathLeadsTo tells whether the operator's path still leads to the disk. A link may be set anew when a card is changed, and
// the operator may have read the new meaning.
func (c *Card) pathLeadsTo(d *Disk) bool {
	info, err := os.Stat(c.path)
	if err != nil {
		return false
	}
	number, isNode := blockNumber(info)
	return isNode && number == d.Dev
}
