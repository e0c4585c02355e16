package fat

import "errors"

var (
	// ErrUnsound says that a file system is not one that can be written safely: it is none, it is damaged, or it is of a form that
	// the read-back does not know.
	ErrUnsound = errors.New("the FAT file system cannot be written safely")
	// ErrFull says that the file system or its root directory has no room.
	ErrFull = errors.New("the FAT file system has no room")
	// ErrOccupied says that something else has a file's or a folder's name.
	ErrOccupied = errors.New("the name is taken by something else")
	// ErrName says that a name cannot stand in a FAT directory.
	ErrName = errors.New("FAT cannot hold the name")
	// ErrNotReadBack says that a file was not found as it was put.
	ErrNotReadBack = errors.New("a file was not read back as it was put")
)
