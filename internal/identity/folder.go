package identity

import (
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"
)

// ErrNoRegisters says that a folder holds none of the files that tell of a card's registers. It is so behind a USB reader.
var ErrNoRegisters = errors.New("the folder holds no registers of a card")

// A Raw is what was read of a card's registers. What is nil was not there, or stands in Unread.
type Raw struct {
	// Kind is the one that the host states. Where it states none, it is a guess by what is there, and "" where nothing is.
	Kind Kind

	CID, CSD, SCR, SSR []byte // 16, 16, 8 and 64 bytes

	EXTCSDRevision               *uint8 // eMMC
	LifeTimeA, LifeTimeB, PreEOL *uint8 // eMMC

	Unread []Unread
}

// An Unread is a file that is there and could not be read or understood.
type Unread struct {
	File, Why string
}

// The lengths of the registers in bytes.
const (
	cidBytes = 16
	csdBytes = 16
	scrBytes = 8
	ssrBytes = 64
)

// ReadFolder reads the registers from a folder shaped like the kernel's of a card, /sys/block/mmcblkN/device. Files may miss, and
// one that holds nonsense spoils no other. The error is ErrNoRegisters where no file of a register is there.
func ReadFolder(folder fs.FS) (*Raw, error) {
	r := folderReader{folder: folder, raw: &Raw{}}
	r.register("cid", &r.raw.CID, cidBytes)
	r.register("csd", &r.raw.CSD, csdBytes)
	r.register("scr", &r.raw.SCR, scrBytes)
	r.register("ssr", &r.raw.SSR, ssrBytes)
	r.numbers("life_time", &r.raw.LifeTimeA, &r.raw.LifeTimeB)
	r.numbers("pre_eol_info", &r.raw.PreEOL)
	if !r.found {
		return nil, ErrNoRegisters
	}
	// Files of these two names stand in the folder of any SCSI device too, so they make no card.
	r.numbers("rev", &r.raw.EXTCSDRevision)
	r.kind()
	return r.raw, nil
}

type folderReader struct {
	folder fs.FS
	raw    *Raw
	found  bool // a file was there
}

// longestFileBytes is more than any of the files holds.
const longestFileBytes = 1024

// text gives what a file holds, without the white space around it. It is false where the file misses or cannot be read.
func (r *folderReader) text(name string) (string, bool) {
	content, err := readBounded(r.folder, name)
	if errors.Is(err, fs.ErrNotExist) {
		return "", false
	}
	r.found = true
	if err != nil {
		r.unread(name, err.Error())
		return "", false
	}
	return strings.TrimSpace(string(content)), true
}

// readBounded reads a regular file: to open a pipe may take for ever.
func readBounded(folder fs.FS, name string) ([]byte, error) {
	info, err := fs.Stat(folder, name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("it is no regular file")
	}
	file, err := folder.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	content, err := io.ReadAll(io.LimitReader(file, longestFileBytes+1))
	if err == nil && len(content) > longestFileBytes {
		err = fmt.Errorf("it is longer than %d bytes", longestFileBytes)
	}
	return content, err
}

func (r *folderReader) unread(file, why string) {
	r.raw.Unread = append(r.raw.Unread, Unread{file, why})
}

// register reads a file of hex digits.
func (r *folderReader) register(name string, register *[]byte, lengthBytes int) {
	text, ok := r.text(name)
	if !ok {
		return
	}
	content, err := hex.DecodeString(text)
	switch {
	case err != nil:
		r.unread(name, fmt.Sprintf("it does not hold hexadecimal digits alone: %+q", shortened(text)))
	case len(content) != lengthBytes:
		r.unread(name, fmt.Sprintf("it holds %d bytes where the register has %d", len(content), lengthBytes))
	default:
		*register = content
	}
}

// numbers reads a file of that many numbers of one byte, which are hexadecimal with and without 0x: kernels differ.
func (r *folderReader) numbers(name string, numbers ...**uint8) {
	text, ok := r.text(name)
	if !ok {
		return
	}
	words := strings.Fields(text)
	values := make([]uint8, len(numbers))
	understood := len(words) == len(numbers)
	for i := 0; understood && i < len(words); i++ {
		value, err := strconv.ParseUint(strings.TrimPrefix(words[i], "0x"), 16, 8)
		understood = err == nil
		values[i] = uint8(value)
	}
	if !understood {
		r.unread(name, fmt.Sprintf("it does not hold %d hexadecimal numbers of one byte: %+q", len(numbers), shortened(text)))
		return
	}
	for i := range numbers {
		*numbers[i] = &values[i]
	}
}

// shortened keeps a text that is shown for what it is within a line.
func shortened(text string) string {
	const most = 40
	if len(text) > most {
		return text[:most] + "..."
	}
	return text
}

// kind takes the kind from the host's word, else guesses it.
func (r *folderReader) kind() {
	switch text, ok := r.text("type"); {
	case ok && (text == "SD" || text == "SDcombo"):
		r.raw.Kind = KindSD
	case ok && text == "MMC":
		r.raw.Kind = KindEMMC
	default:
		if ok {
			r.unread("type", fmt.Sprintf("it names no card with memory: %+q", shortened(text)))
		}
		r.raw.Kind = r.raw.guess()
	}
}
