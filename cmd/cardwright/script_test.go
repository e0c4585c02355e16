package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"

	"github.com/klauspost/compress/zstd"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/ulikunitz/xz"
	"golang.org/x/sys/unix"
)

// A scriptCommand is a word that the scripts know beside testscript's own.
type scriptCommand = func(ts *testscript.TestScript, neg bool, args []string)

// scriptCommands are:
//
//	status CODE COMMAND...   run a command and want exactly this exit code
//	judged CODE COMMAND...   the same, of a flash whose pace is judged: while the card waits for its source, which no rate is told by
//	                         and a busy machine may do to any card, it is run again, the logbook as it was before
//	image NAME BYTES         make an image: an MBR with one partition, and content of which no block is like another
//	pack xz|gz|zst FROM TO   pack a file
//	card NAME BYTES          make a regular file full of 0xA5 that serves as a card
//	flip FILE OFFSET         invert one byte; a negative offset counts from the end
//	cut FILE BYTES           cut a file off after so many bytes; a negative number counts from the end
//	grow FILE BYTES          append so many zeros to a file
//	copies FROM TO...        copy a file, once for each name
//	pipe NAME                make a named pipe
//	size FILE BYTES          want a length
//	holds CARD IMAGE         want a card that begins with the image, ends in 1 MiB of zeros, and is 0xA5 between
//	[!] blank CARD           want the first 1 MiB to be zeros
//	untouched CARD           want 0xA5 all over
//	digest NAME FILE         set a variable to a file's SHA-256
//	document                 want standard output to be one JSON document
//	json PATH VALUE          want a value in that document, such as cards.0.verdict
//	keys FILE                want the document to have exactly these paths, one a line
func scriptCommands() map[string]scriptCommand {
	return map[string]scriptCommand{
		"status": status, "judged": judged, "image": makeImage, "pack": pack, "card": makeCard, "flip": flip, "cut": cut, "grow": grow,
		"copies": copies, "pipe": pipe, "size": size, "holds": holds,
		"blank": blank, "untouched": untouched, "digest": digest, "document": document, "json": jsonValue, "keys": keys,
	}
}

const (
	filler     = 0xA5
	clearBytes = 1 << 20
)

func status(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) >= 2, "status CODE COMMAND...")
	wantCode(ts, args[0], exitCodeOf(ts, args[1:]))
}

// mostTries is how often a card may have to wait for its source, one time after the other.
const mostTries = 100

func judged(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) >= 2, "judged CODE COMMAND...")
	const book = "logbook.db"
	before, err := os.ReadFile(ts.MkAbs(book))
	if !errors.Is(err, fs.ErrNotExist) {
		ts.Check(err)
	}
	for range mostTries {
		code := exitCodeOf(ts, args[1:])
		if !strings.Contains(ts.ReadFile("stdout"), "the card waited") {
			wantCode(ts, args[0], code)
			return
		}
		for _, name := range []string{book, book + "-wal", book + "-shm"} {
			ts.Check(os.RemoveAll(ts.MkAbs(name)))
		}
		if before != nil {
			write(ts, book, before)
		}
	}
	ts.Fatalf("the card waited for its source in each of %d runs", mostTries)
}

func exitCodeOf(ts *testscript.TestScript, command []string) int {
	err := ts.Exec(command[0], command[1:]...)
	if exit, ended := errors.AsType[*exec.ExitError](err); ended {
		return exit.ExitCode()
	}
	ts.Check(err)
	return 0
}

func wantCode(ts *testscript.TestScript, want string, code int) {
	if int64(code) != number(ts, want) {
		ts.Fatalf("exit code %d, want %s", code, want)
	}
}

// makeImage writes the image's bytes itself: a disk id at 440, one entry at 446 (UEFI 2.11, table 5.1), 55 AA at 510.
func makeImage(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "image NAME BYTES")
	content := make([]byte, number(ts, args[1]))
	state := uint32(len(content))
	for at := 0; at < len(content); at += 64 << 10 {
		page := content[at:min(at+64<<10, len(content))]
		for i := range page {
			if i >= 512 { // repeats, so that packing is quick
				page[i] = page[i-512]
				continue
			}
			state = state*1664525 + 1013904223
			page[i] = byte(state >> 24)
		}
	}
	sectors := max(uint32(len(content)/512), 3) - 2
	clear(content[:min(1024, len(content))])
	copy(content[440:], []byte{0x4d, 0xca, 0xed, 0x5e})
	copy(content[446:], []byte{
		0x80, 0, 2, 0, 0x83, 0, 3, 0, 2, 0, 0, 0,
		byte(sectors), byte(sectors >> 8), byte(sectors >> 16), byte(sectors >> 24),
	})
	copy(content[510:], []byte{0x55, 0xaa})
	write(ts, args[0], content)
}

func grow(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "grow FILE BYTES")
	write(ts, args[0], append(read(ts, args[0]), make([]byte, number(ts, args[1]))...))
}

func pack(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 3, "pack xz|gz|zst FROM TO")
	var packed bytes.Buffer
	var writer io.WriteCloser
	var err error
	switch args[0] {
	case "xz":
		writer, err = xz.NewWriter(&packed)
	case "gz":
		writer = gzip.NewWriter(&packed)
	case "zst":
		writer, err = zstd.NewWriter(&packed)
	default:
		ts.Fatalf("unknown format %q", args[0])
	}
	ts.Check(err)
	_, err = writer.Write(read(ts, args[1]))
	ts.Check(errors.Join(err, writer.Close()))
	write(ts, args[2], packed.Bytes())
}

func makeCard(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "card NAME BYTES")
	write(ts, args[0], bytes.Repeat([]byte{filler}, int(number(ts, args[1]))))
}

func flip(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "flip FILE OFFSET")
	content := read(ts, args[0])
	offset := number(ts, args[1])
	if offset < 0 {
		offset += int64(len(content))
	}
	content[offset] ^= 0xFF
	write(ts, args[0], content)
}

func cut(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "cut FILE BYTES")
	content := read(ts, args[0])
	length := number(ts, args[1])
	if length < 0 {
		length += int64(len(content))
	}
	write(ts, args[0], content[:length])
}

func copies(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) >= 2, "copies FROM TO...")
	for _, name := range args[1:] {
		write(ts, name, read(ts, args[0]))
	}
}

func pipe(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 1, "pipe NAME")
	ts.Check(unix.Mkfifo(ts.MkAbs(args[0]), 0o600))
}

func size(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "size FILE BYTES")
	info, err := os.Stat(ts.MkAbs(args[0]))
	ts.Check(err)
	if want := number(ts, args[1]); info.Size() != want {
		ts.Fatalf("%s has %d bytes, want %d", args[0], info.Size(), want)
	}
}

func holds(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "holds CARD IMAGE")
	card, image := read(ts, args[0]), read(ts, args[1])
	if !bytes.HasPrefix(card, image) {
		ts.Fatalf("%s does not begin with %s", args[0], args[1])
	}
	end := max(len(image), len(card)-clearBytes)
	if len(image) < clearBytes && len(bytes.Trim(card[len(image):min(clearBytes, end)], "\x00")) > 0 {
		ts.Fatalf("%s: what follows the image in the first 1 MiB is not zero", args[0])
	}
	if from := max(len(image), clearBytes); from < end && len(bytes.Trim(card[from:end], string([]byte{filler}))) > 0 {
		ts.Fatalf("%s: what lies past the image was changed", args[0])
	}
	if len(bytes.Trim(card[end:], "\x00")) > 0 {
		ts.Fatalf("%s: the last 1 MiB is not zero", args[0])
	}
}

func blank(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 1 {
		ts.Fatalf("usage: [!] blank CARD")
	}
	is := len(bytes.Trim(read(ts, args[0])[:clearBytes], "\x00")) == 0
	if is == neg {
		ts.Fatalf("%s: the first 1 MiB is zeros: %v", args[0], is)
	}
}

func untouched(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 1, "untouched CARD")
	for i, b := range read(ts, args[0]) {
		if b != filler {
			ts.Fatalf("%s was changed at byte %d", args[0], i)
		}
	}
}

func digest(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "digest NAME FILE")
	sum := sha256.Sum256(read(ts, args[1]))
	ts.Setenv(args[0], hex.EncodeToString(sum[:]))
}

func document(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 0, "document")
	decoded(ts)
}

func jsonValue(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 2, "json PATH VALUE")
	value := decoded(ts)
	for step := range strings.SplitSeq(args[0], ".") {
		switch at := value.(type) {
		case map[string]any:
			inner, ok := at[step]
			if !ok {
				ts.Fatalf("%s: there is no %q", args[0], step)
			}
			value = inner
		case []any:
			i, err := strconv.Atoi(step)
			if err != nil || i >= len(at) {
				ts.Fatalf("%s: there is no %q among %d", args[0], step, len(at))
			}
			value = at[i]
		default:
			ts.Fatalf("%s: %q has no parts", args[0], step)
		}
	}
	if list, ok := value.([]any); ok {
		value = fmt.Sprintf("%d items", len(list))
	}
	if got := fmt.Sprint(value); got != args[1] {
		ts.Fatalf("%s is %s, want %s", args[0], got, args[1])
	}
}

func keys(ts *testscript.TestScript, neg bool, args []string) {
	need(ts, neg, len(args) == 1, "keys FILE")
	found := map[string]bool{}
	collect(found, "", decoded(ts))
	want := strings.Fields(ts.ReadFile(args[0]))
	slices.Sort(want)
	got := slices.Sorted(maps.Keys(found))
	if !slices.Equal(got, want) {
		ts.Fatalf("the document's paths are\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// collect finds the paths of all values that have no parts; items of lists count as one.
func collect(found map[string]bool, path string, value any) {
	switch at := value.(type) {
	case map[string]any:
		for key, inner := range at {
			collect(found, strings.TrimPrefix(path+"."+key, "."), inner)
		}
	case []any:
		if len(at) == 0 {
			found[path+"[]"] = true
		}
		for _, inner := range at {
			collect(found, path+"[]", inner)
		}
	default:
		found[path] = true
	}
}

// decoded reads standard output, which must be one document and nothing else. Numbers stay as they were written.
func decoded(ts *testscript.TestScript) any {
	decoder := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	decoder.UseNumber()
	var value any
	if err := decoder.Decode(&value); err != nil {
		ts.Fatalf("standard output is no JSON document: %v", err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		ts.Fatalf("something follows the document: %v", err)
	}
	return value
}

func need(ts *testscript.TestScript, neg, ok bool, usage string) {
	if neg || !ok {
		ts.Fatalf("usage: %s", usage)
	}
}

func number(ts *testscript.TestScript, text string) int64 {
	n, err := strconv.ParseInt(text, 10, 64)
	ts.Check(err)
	return n
}

func read(ts *testscript.TestScript, name string) []byte {
	content, err := os.ReadFile(ts.MkAbs(name))
	ts.Check(err)
	return content
}

func write(ts *testscript.TestScript, name string, content []byte) {
	ts.Check(os.WriteFile(ts.MkAbs(name), content, 0o600))
}
