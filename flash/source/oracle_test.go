//go:build oracle

package source_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"cardwright/flash/source"
)

// run runs a tool in a shell, as an operator would; a missing tool is a failure.
func run(t *testing.T, folder, command string) []byte {
	t.Helper()
	shell := exec.CommandContext(t.Context(), "sh", "-euc", command)
	shell.Dir, shell.Stderr = folder, os.Stderr
	output, err := shell.Output()
	if err != nil {
		t.Fatalf("%s: %v", command, err)
	}
	return output
}

// digestOf is what sha256sum says of a command's output.
func digestOf(t *testing.T, folder, command string) string {
	t.Helper()
	return strings.Fields(string(run(t, folder, command+" | sha256sum")))[0]
}

// mixture has stretches that pack well, stretches that do not, and repeats from far back.
func mixture(lengthBytes int, seed uint64) []byte {
	random := rand.New(rand.NewPCG(seed, 1))
	content := make([]byte, 0, lengthBytes+1<<16)
	for len(content) < lengthBytes {
		stretch := make([]byte, 1+random.IntN(1<<16))
		switch {
		case random.IntN(3) == 0:
			for i := range stretch {
				stretch[i] = byte(random.Uint32())
			}
		case random.IntN(2) == 0 && len(content) > len(stretch):
			copy(stretch, content[random.IntN(len(content)-len(stretch)):])
		}
		content = append(content, stretch...)
	}
	return content[:lengthBytes]
}

// Every tool's own output, in many settings and lengths, decodes to what the same tool gives.
func TestLiveToolsAgree(t *testing.T) {
	packers := map[string][2]string{ // how to pack in, and how to unpack out
		"xz -0": {"xz -0 -c in", "xz -dc"}, "xz blocks": {"xz -T2 --block-size=100KiB -c in", "xz -dc"},
		"xz sha256": {"xz -9 --check=sha256 -c in", "xz -dc"}, "xz lclppb": {"xz --lzma2=lc=0,lp=4,pb=0 -c in", "xz -dc"},
		"gzip -1": {"gzip -1 -c in", "gzip -dc"}, "gzip -9": {"gzip -9 -c in", "gzip -dc"},
		"gzip members": {"gzip -c in; gzip -c in", "gzip -dc"},
		"zstd -1":      {"zstd -q -1 -c in", "zstd -dc"}, "zstd -19": {"zstd -q -19 -T2 -c in", "zstd -dc"},
		"zstd pipe": {"zstd -q --no-check -c < in", "zstd -dc"}, "zstd frames": {"zstd -q -c in; zstd -q -c in", "zstd -dc"},
		"bzip2 -1": {"bzip2 -1 -c in", "bzip2 -dc"}, "bzip2 -9": {"bzip2 -9 -c in", "bzip2 -dc"},
		"bzip2 streams": {"bzip2 -1 -c in; bzip2 -9 -c in", "bzip2 -dc"},
		"zip":           {"zip -q - in", "unzip -p packed; :"}, "zip stream": {"zip -q - - < in", "unzip -p packed; :"},
	}
	for name, packer := range packers {
		for seed, length := range []int{1, 2, 511, 65535, 65536, 65537, 1<<20 + 1, 2_000_000} {
			folder := t.TempDir()
			if err := os.WriteFile(filepath.Join(folder, "in"), mixture(length, uint64(seed)), 0o600); err != nil {
				t.Fatal(err)
			}
			run(t, folder, "{ "+packer[0]+"; } > packed")
			_, facts, err := decode(t, filepath.Join(folder, "packed"), source.Options{})
			if err != nil {
				t.Errorf("%s, %d bytes (seed %d): %v", name, length, seed, err)
				continue
			}
			if want := digestOf(t, folder, "{ "+packer[1]+" < packed; }"); facts.ImageSHA256 != want {
				t.Errorf("%s, %d bytes (seed %d): image %s, want %s", name, length, seed, facts.ImageSHA256, want)
			}
			if want := digestOf(t, folder, "cat packed"); facts.PackedSHA256 != want {
				t.Errorf("%s, %d bytes: packed %s, want %s", name, length, facts.PackedSHA256, want)
			}
		}
	}
}

// decodeVariable makes the test binary decode the file it names and tell its time and peak memory, in a process of its own.
const decodeVariable = "CARDWRIGHT_TEST_DECODE"

func TestMain(m *testing.M) {
	if path := os.Getenv(decodeVariable); path != "" {
		if err := decodeAlone(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

func decodeAlone(path string) error {
	start := time.Now()
	const oneByOne = 48 << 20 // too little for two of the blocks below side by side
	image, err := source.Open(context.Background(), path, source.Options{MemoryBytes: oneByOne})
	if err != nil {
		return err
	}
	if _, err := io.CopyBuffer(io.Discard, struct{ io.Reader }{image}, make([]byte, 4<<20)); err != nil {
		return err
	}
	seconds := time.Since(start).Seconds()
	peak, err := peakBytes()
	facts := image.Facts()
	fmt.Println(facts.ImageSHA256, peak, float64(facts.ImageBytes)/seconds/1e6)
	return errors.Join(err, image.Close())
}

// Windows and dictionaries lie in memory about once, also where every block brings its own. The bound is what one window
// and the rest of a process need.
func TestLargeWindowsLieInMemoryOnce(t *testing.T) {
	folder := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "part"), mixture(130<<20, 7), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, folder, "cat part part > long; head -c 62914560 part > short")
	for _, c := range []struct {
		pack        string
		content     string
		windowBytes int64
	}{
		{"zstd -q -3 --long=27 -c < long", "long", 128 << 20},
		{"zstd -q -3 -c short", "short", 2 << 20},
		{"xz -T1 --block-size=20MiB --lzma2=preset=0,dict=64MiB -c short", "short", 64 << 20},
		{"gzip -1 -c short", "short", 0},
		{"bzip2 -1 -c short", "short", 0},
		{"zip -q -1 - short", "short", 0},
	} {
		run(t, folder, "rm -f packed; "+c.pack+" > packed")
		want := digestOf(t, folder, "cat "+c.content)
		child := exec.CommandContext(t.Context(), os.Args[0])
		child.Env, child.Stderr = append(os.Environ(), decodeVariable+"="+filepath.Join(folder, "packed")), os.Stderr
		output, err := child.Output()
		if err != nil {
			t.Fatalf("%s: %v", c.pack, err)
		}
		var digest string
		var peak int64
		var megabytesPerSecond float64
		if _, err := fmt.Sscan(string(output), &digest, &peak, &megabytesPerSecond); err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %.0f MB/s, peak %.1f MiB", c.pack, megabytesPerSecond, float64(peak)/(1<<20))
		if digest != want {
			t.Errorf("%s: image %s, want %s", c.pack, digest, want)
		}
		if most := c.windowBytes + 64<<20; peak > most {
			t.Errorf("%s: peak memory %d bytes, at most %d wanted", c.pack, peak, most)
		}
	}
}

// peakBytes is the highest resident size of this process so far (proc(5), VmHWM).
func peakBytes() (int64, error) {
	status, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(status)) {
		if fields := strings.Fields(line); len(fields) > 1 && fields[0] == "VmHWM:" {
			kibibytes, err := strconv.ParseInt(fields[1], 10, 64)
			return kibibytes << 10, err
		}
	}
	return 0, errors.New("no VmHWM")
}

// sha256sum writes the lists that are read here, its escaped names included.
func TestListsOfSha256sumAreRead(t *testing.T) {
	for i, name := range []string{"plain.xz", "two words.xz", `back\slash.xz`, "line\nbreak.xz", "-dash.xz", "ümlaut.xz"} {
		for _, option := range []string{"", "--binary", "--tag"} {
			folder := t.TempDir()
			if err := os.WriteFile(filepath.Join(folder, name), readFixture(t, "check-crc64.xz"), 0o600); err != nil {
				t.Fatal(err)
			}
			run(t, folder, fmt.Sprintf("sha256sum %s -- * > ../list%d && mv ../list%d SHA256SUMS", option, i, i))
			_, facts, err := decode(t, filepath.Join(folder, name), source.Options{})
			if err != nil || facts.Expected != source.Matched {
				t.Errorf("%q, %s: %q, %v", name, option, facts.Expected, err)
			}
		}
	}
}
