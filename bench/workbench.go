package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"cardwright/flash/source"
	"cardwright/flash/source/xz"
)

const (
	// decoderMemoryBytes lets the blocks of any usual file be decoded side by side.
	decoderMemoryBytes = 512 << 20
	// decoderWorkers are as many as the threads that the tool is given.
	decoderWorkers = 2
)

// A workbench is a folder with the built program and the images that the comparisons need. Each image is made when it is
// first asked for.
type workbench struct {
	setting
	dir        string
	cardwright string // the built program
	self       string // this program
	imageBytes int64
	facts      string
}

func newWorkbench(ctx context.Context, s setting, stderr io.Writer) (*workbench, error) {
	dir, err := os.MkdirTemp("", "bench")
	if err != nil {
		return nil, err
	}
	b := &workbench{setting: s, dir: dir, cardwright: filepath.Join(dir, "cardwright")}
	fmt.Fprintln(stderr, "building cardwright and looking at the image ...")
	if b.self, err = os.Executable(); err == nil {
		_, err = timed(exec.CommandContext(ctx, "go", "build", "-o", b.cardwright, "cardwright/cmd/cardwright"))
	}
	if err == nil {
		b.imageBytes, err = b.measureImage(ctx)
	}
	if err != nil {
		return nil, errors.Join(err, b.close())
	}
	b.facts = fmt.Sprintf("%s, %d bytes decoded", filepath.Base(s.image), b.imageBytes)
	return b, nil
}

func (b *workbench) close() error { return os.RemoveAll(b.dir) }

// measureImage decodes the image once, which also warms the file's cache.
func (b *workbench) measureImage(ctx context.Context) (int64, error) {
	image, err := source.Open(ctx, b.image, source.Options{})
	if err != nil {
		return 0, err
	}
	n, err := io.Copy(io.Discard, image)
	return n, errors.Join(err, image.Close())
}

// made gives a file that a line of shell makes out of the image, which the line finds as $IMAGE, and its own place as $MADE.
func (b *workbench) made(ctx context.Context, name, line string) (string, error) {
	path := filepath.Join(b.dir, name)
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	cmd := bash(ctx, line)
	cmd.Env = append(os.Environ(), "IMAGE="+b.image, "MADE="+path)
	_, err := timed(cmd)
	return path, err
}

// packed is the image, packed in one of several ways.
func (b *workbench) packed(ctx context.Context, way string) (string, error) {
	switch way {
	case "xz, several blocks":
		return b.image, nil
	case "xz, one block":
		return b.made(ctx, "one.img.xz", `xz -dc "$IMAGE" | xz -6 -T1 -c > "$MADE"`)
	case "gzip":
		return b.made(ctx, "board.img.gz", `xz -dc "$IMAGE" | gzip -6 -c > "$MADE"`)
	case "zstd":
		return b.made(ctx, "board.img.zst", `xz -dc "$IMAGE" | zstd -q -3 -c > "$MADE"`)
	case "raw":
		return b.made(ctx, "board.img", `xz -dc "$IMAGE" > "$MADE"`)
	}
	return "", fmt.Errorf("no way %q of packing", way)
}

// decode decodes a file to nowhere: xz by its decoder alone, as the tool does it; all else by a source, with both its digests.
func decode(ctx context.Context, path string) (err error) {
	if strings.HasSuffix(path, ".xz") {
		return decodeXZ(path)
	}
	image, err := source.Open(ctx, path, source.Options{})
	if err != nil {
		return err
	}
	_, err = io.Copy(io.Discard, image)
	return errors.Join(err, image.Close())
}

func decodeXZ(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close() // was only read
	info, err := file.Stat()
	if err != nil {
		return err
	}
	plan, err := xz.ReadPlan(file, info.Size())
	if err != nil {
		return err
	}
	r := xz.NewReader(file, xz.Options{Workers: decoderWorkers, MemoryBytes: decoderMemoryBytes, Plan: plan.Blocks})
	_, err = r.WriteTo(io.Discard)
	return errors.Join(err, r.Close())
}

// quoted makes one word of a path for the shell.
func quoted(path string) string { return "'" + strings.ReplaceAll(path, "'", `'\''`) + "'" }
