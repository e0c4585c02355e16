package main

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"errors"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
	"unsafe"

	"golang.org/x/sys/unix"
)

// A watch sees every file that is opened, made, changed, moved or deleted in some folders.
type watch struct {
	descriptor int
	folders    map[int32]string
}

func watching(t *testing.T, folders ...string) *watch {
	t.Helper()
	descriptor, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(descriptor) })
	w := &watch{descriptor, map[int32]string{}}
	for _, folder := range folders {
		const all = unix.IN_ALL_EVENTS &^ (unix.IN_CLOSE_NOWRITE | unix.IN_CLOSE_WRITE)
		id, err := unix.InotifyAddWatch(descriptor, folder, all)
		if err != nil {
			t.Fatal(err)
		}
		w.folders[int32(id)] = folder
	}
	return w
}

// touched gives the files that something was done to since the last call, each once.
func (w *watch) touched(t *testing.T) (paths []string) {
	t.Helper()
	buffer := make([]byte, 64<<10)
	for {
		n, err := unix.Read(w.descriptor, buffer)
		if err == unix.EAGAIN { // the kernel's own number
			slices.Sort(paths)
			return slices.Compact(paths)
		}
		if err != nil {
			t.Fatal(err)
		}
		for events := buffer[:n]; len(events) > 0; {
			event := (*unix.InotifyEvent)(unsafe.Pointer(&events[0]))
			if event.Mask&unix.IN_Q_OVERFLOW != 0 {
				t.Fatal("there were more events than the kernel keeps")
			}
			name := strings.TrimRight(string(events[unix.SizeofInotifyEvent:][:event.Len]), "\x00")
			paths = append(paths, filepath.Join(w.folders[event.Wd], name))
			events = events[unix.SizeofInotifyEvent+event.Len:]
		}
	}
}

// A trap is a folder for the image and the card, between others that hold what a bad name would lead to.
type trap struct {
	*watch
	work, decoy string
	files       []string // the only files that may be touched
}

// newTrap makes the folders above/decoys, and above/x and above/a/b. The program works in above/a/b.
func newTrap(t *testing.T) *trap {
	t.Helper()
	above := t.TempDir()
	work, decoys := filepath.Join(above, "a", "b"), filepath.Join(above, "decoys")
	for _, folder := range []string{work, decoys, filepath.Join(decoys, "folder")} {
		if err := os.MkdirAll(folder, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, path := range []string{filepath.Join(above, "x"), filepath.Join(decoys, "x"), filepath.Join(work, "decoy")} {
		if err := os.WriteFile(path, []byte("decoy"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(work)
	t.Setenv("HOME", decoys)
	t.Setenv("TMPDIR", decoys)
	t.Setenv("CARDWRIGHT_LOGBOOK", filepath.Join(t.TempDir(), "logbook.db"))
	tr := &trap{work: work, decoy: filepath.Join(decoys, "x")}
	tr.files = []string{filepath.Join(work, "image"), filepath.Join(work, "card")}
	if err := os.WriteFile("card", bytes.Repeat([]byte{0xA5}, 4<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	tr.watch = watching(t, above, filepath.Join(above, "a"), work, decoys, filepath.Join(decoys, "folder"))
	return tr
}

// sprung runs the program and wants that no file was touched but those it was told of, and that what it printed cannot steer a
// terminal.
func (tr *trap) sprung(t *testing.T, stdin []byte, args ...string) (code int, printed string) {
	t.Helper()
	tr.touched(t) // what the test itself did
	var stdout, stderr bytes.Buffer
	code = run(t.Context(), args, bytes.NewReader(stdin), &stdout, &stderr)
	for _, path := range tr.touched(t) {
		if !slices.Contains(tr.files, path) {
			t.Errorf("%q touched %s", args, path)
		}
	}
	printed = stdout.String() + stderr.String()
	for _, r := range printed {
		if r != '\n' && !unicode.IsPrint(r) {
			t.Errorf("%q printed %q", args, printed)
			break
		}
	}
	if !utf8.ValidString(printed) || len(printed) > 64<<10 {
		t.Errorf("%q printed %d bytes", args, len(printed))
	}
	return code, printed
}

func (tr *trap) put(t *testing.T, packed []byte) {
	t.Helper()
	if err := os.WriteFile("image", packed, 0o600); err != nil {
		t.Fatal(err)
	}
}

// holdsImage wants the card to begin with the image, and takes it away again.
func (tr *trap) holdsImage(t *testing.T, image []byte) {
	t.Helper()
	card, err := os.ReadFile("card")
	if err != nil || !bytes.HasPrefix(card, image) {
		t.Errorf("the card does not hold the image: %v", err)
	}
	if err := os.WriteFile("card", bytes.Repeat([]byte{0xA5}, 4<<20), 0o600); err != nil {
		t.Fatal(err)
	}
}

// smallImage is an MBR with one partition, its disk id and entry at 440 and 446 (UEFI 2.11, table 5.1).
func smallImage() []byte {
	image := bytes.Repeat([]byte{0x5A}, 64<<10)
	clear(image[:512])
	copy(image[440:], []byte{1, 2, 3, 4, 0, 0, 0x80, 0, 2, 0, 0x83, 0, 3, 0, 2, 0, 0, 0, 64, 0, 0, 0})
	image[510], image[511] = 0x55, 0xAA
	return image
}

// badNames are what an archive may call a file. Those that name a decoy would reach it if they were ever a path.
func badNames(tr *trap) []string {
	return []string{
		"../../x", "../../../../../../../../../../../../etc/cardwright-planted", "/etc/cardwright-planted", tr.decoy,
		strings.TrimPrefix(tr.decoy, "/"), "./decoy", "decoy", "card", "~/x", "${HOME}/x", "$(touch planted)", "|touch planted",
		`..\..\x`, `C:\x`, "file://" + tr.decoy, "planted\x00.img", "planted\nplanted", "\x1b[2J\x1b]0;planted\a", "\u202egmi.x",
		"\xff\xfe", "-", "--help", "", strings.Repeat("a/", 1<<15-1) + "x", strings.Repeat("\x1b", 1<<16-1),
	}
}

// zipped packs members of one content, each under its name. A link's content would be its target.
func zipped(t *testing.T, mode fs.FileMode, content []byte, names ...string) []byte {
	t.Helper()
	var packed bytes.Buffer
	archive := zip.NewWriter(&packed)
	for _, name := range names {
		header := &zip.FileHeader{Name: name, Method: zip.Deflate}
		header.SetMode(mode)
		member, err := archive.CreateHeader(header)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := member.Write(content); err != nil {
			t.Fatal(err)
		}
	}
	if err := archive.Close(); err != nil {
		t.Fatal(err)
	}
	return packed.Bytes()
}

// TestWatchSeesWhatATrapIsFor shows the watch each deed that the tests below say was not done.
func TestWatchSeesWhatATrapIsFor(t *testing.T) {
	tr := newTrap(t)
	for name, deed := range map[string]func() error{
		"read":    func() error { _, err := os.ReadFile(tr.decoy); return err },
		"write":   func() error { return os.WriteFile("../../x", nil, 0o600) },
		"make":    func() error { return os.WriteFile("planted", nil, 0o600) },
		"link":    func() error { return os.Symlink("nowhere", "../planted") },
		"mode":    func() error { return os.Chmod(tr.decoy, 0o644) },
		"folder":  func() error { return os.Mkdir("../../planted", 0o755) },
		"delete":  func() error { return os.Remove("planted") },
		"opening": func() error { file, err := os.Open("decoy"); return errorsOf(err, file.Close) },
	} {
		_ = tr.touched(t)
		if err := deed(); err != nil && name != "delete" {
			t.Fatalf("%s: %v", name, err)
		} else if err == nil && len(tr.touched(t)) == 0 {
			t.Errorf("%s: nothing was seen", name)
		}
	}
}

func errorsOf(err error, more func() error) error {
	if err != nil {
		return err
	}
	return more()
}

// TestNameOfAMemberIsNoPath decodes archives whose members are named to do harm: from a file, from standard input, from a
// server, and by name.
func TestNameOfAMemberIsNoPath(t *testing.T) {
	tr, image := newTrap(t), smallImage()
	var served []byte
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Disposition", `attachment; filename="`+tr.decoy+`"`)
		_, _ = w.Write(served)
	}))
	defer server.Close()
	names := badNames(tr)
	for _, name := range names {
		for _, mode := range []fs.FileMode{0o4755 | fs.ModeSetuid, 0o777 | fs.ModeSymlink} {
			packed := zipped(t, mode, image, name)
			tr.put(t, packed)
			served = packed
			for _, args := range [][]string{
				{"inspect", "image"},
				{"inspect", "-"},
				{"inspect", server.URL + "/%2e%2e%2fx%1b%5b2J"},
				{"inspect", "image", "--member", name},
				{"inspect", "image", "--json"},
			} {
				if code, printed := tr.sprung(t, packed, args...); code != int(done) {
					t.Errorf("%.40q: %q ended with %d: %s", name, args, code, printed)
				}
			}
		}
		if code, printed := tr.sprung(t, nil, "flash", "image", "--to", "card", "--yes"); code != int(done) {
			t.Errorf("%.40q: flash ended with %d: %s", name, code, printed)
		}
		tr.holdsImage(t, image)
	}
	if _, err := os.Lstat("/etc/cardwright-planted"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a member was unpacked: %v", err)
	}
	t.Logf("names of members: %d", len(names))
}

// TestLinkOfAnArchiveIsNotFollowed gives links the paths of decoys as their content. That text is the image then, and not what
// lies at the path.
func TestLinkOfAnArchiveIsNotFollowed(t *testing.T) {
	tr := newTrap(t)
	for _, target := range []string{tr.decoy, "../../x", "decoy", "card"} {
		packed := zipped(t, 0o777|fs.ModeSymlink, []byte(target), "image.img")
		tr.put(t, packed)
		for _, args := range [][]string{{"inspect", "image"}, {"inspect", "-"}, {"flash", "image", "--to", "card", "--yes"}} {
			if code, printed := tr.sprung(t, packed, args...); code != int(done) {
				t.Errorf("%q ended with %d: %s", args, code, printed)
			}
		}
		tr.holdsImage(t, []byte(target))
	}
}

// TestNamesInErrorsSteerNothing lists the members of an archive of several, of which none was chosen or one that is not there.
func TestNamesInErrorsSteerNothing(t *testing.T) {
	tr := newTrap(t)
	packed := zipped(t, 0o644, smallImage(), badNames(tr)...)
	tr.put(t, packed)
	for _, args := range [][]string{
		{"inspect", "image"},
		{"inspect", "-"},
		{"inspect", "image", "--member", "\x1b[2J"},
		{"inspect", "-", "--member", "\x1b[2J"},
		{"flash", "image", "--to", "card", "--yes"},
		{"inspect", "image", "--json"},
	} {
		if code, printed := tr.sprung(t, packed, args...); code != int(badSource) || !strings.Contains(printed, "../../x") {
			t.Errorf("%q ended with %d: %s", args, code, printed)
		}
	}
}

// TestNameInAGzipHeaderIsNoPath gives the header's name and comment paths. Names are bytes of ISO 8859-1 (RFC 1952).
func TestNameInAGzipHeaderIsNoPath(t *testing.T) {
	tr, image := newTrap(t), smallImage()
	for name, want := range map[string]exitCode{
		tr.decoy: done, "../../x": done, "decoy": done, "/etc/cardwright-planted": done, "\x1b[2J\n\a": done, "": done,
		strings.Repeat("a/", 1<<15): badSource, // longer than the decoder takes
	} {
		var packed bytes.Buffer
		writer := gzip.NewWriter(&packed)
		writer.Name, writer.Comment, writer.Extra = name, name, []byte(tr.decoy)
		if _, err := writer.Write(image); err != nil {
			t.Fatal(err)
		}
		if err := writer.Close(); err != nil {
			t.Fatal(err)
		}
		tr.put(t, packed.Bytes())
		for _, args := range [][]string{{"inspect", "image"}, {"inspect", "-"}, {"flash", "image", "--to", "card", "--yes"}} {
			if code, printed := tr.sprung(t, packed.Bytes(), args...); code != int(want) {
				t.Errorf("%.40q: %q ended with %d: %s", name, args, code, printed)
			}
		}
		if want == done {
			tr.holdsImage(t, image)
		}
	}
}

// TestAddressOfAServerIsNoPath asks for files of this machine, by addresses and by redirects.
func TestAddressOfAServerIsNoPath(t *testing.T) {
	tr := newTrap(t)
	tr.put(t, smallImage())
	here := "file://" + filepath.Join(tr.work, "image")
	server := httptest.NewServer(http.RedirectHandler(here, http.StatusFound))
	defer server.Close()
	tr.files = nil // not even the image may be opened
	for address, want := range map[string]exitCode{
		here: refused, "FILE://" + tr.decoy: refused, "ftp://localhost/x": refused, server.URL: badSource, server.URL + "/x": badSource,
	} {
		if code, printed := tr.sprung(t, nil, "inspect", address); code != int(want) {
			t.Errorf("%s ended with %d: %s", address, code, printed)
		}
	}
}
