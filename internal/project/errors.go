package project

import "errors"

var (
	// ErrSheet says that a sheet cannot be used; the text around it names line and column.
	ErrSheet = errors.New("the sheet of labels cannot be used")
	// ErrFiles says that a folder of files cannot be used; the text around it names the file.
	ErrFiles = errors.New("the folder of files cannot be used")
	// ErrTemplate says that a file is no template, or asks for what a row or a run does not have.
	ErrTemplate = errors.New("the file's template fails")
	// ErrNoBootPartition says that an image has no FAT partition to put files into.
	ErrNoBootPartition = errors.New("the image has no FAT partition to put files into")
	// ErrNotComposed says that the files cannot go onto the image's boot partition.
	ErrNotComposed = errors.New("the files cannot be put onto the boot partition")
)
