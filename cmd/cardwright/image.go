package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/url"

	"github.com/spf13/cobra"

	"cardwright/flash/source"
	"cardwright/internal/job"
	"cardwright/internal/progress"
)

// imageFlags say how an image is opened: they are the same wherever a command takes one.
type imageFlags struct {
	sha256      string
	member      string
	memoryBytes int64 // 0 where nobody says
	raw         bool
}

func (f *imageFlags) register(cmd *cobra.Command) {
	f.registerWay(cmd)
	cmd.Flags().StringVar(&f.sha256, "sha256", "",
		"the published `digest`: 64 hexadecimal digits for the file as downloaded, image:DIGITS for the decoded image, "+
			"or the path of a checksum file (else NAME.sha256 or SHA256SUMS beside the image)")
}

// registerWay adds the flags that say how the bytes are taken.
func (f *imageFlags) registerWay(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.member, "member", "", "the `name` of the file to take from a zip archive of several")
	cmd.Flags().Func("memory",
		"the `amount` of memory to stay within; blocks of an xz image are decoded side by side as far as it goes "+
			"(else 512MiB, or a quarter of the machine's if that is less)",
		func(text string) (err error) {
			f.memoryBytes, err = parseMemory(text)
			return err
		})
	cmd.Flags().BoolVar(&f.raw, "raw", false, "take the bytes as they are, even where they look like nothing known")
}

// options reads the flags, for so many cards that share one reading of the image, and has the program keep within its memory. A
// digest that makes no sense is wrong usage.
func (f *imageFlags) options(p *program, cards int) (source.Options, error) {
	o, err := f.optionsBeside(p, job.BufferBytes(cards))
	if f.memoryBytes == 0 && cards > 1 {
		o.MemoryBytes = min(o.MemoryBytes, decodingForSeveral)
	}
	return o, err
}

// optionsBeside reads the flags for a command whose buffers take so much.
func (f *imageFlags) optionsBeside(p *program, bufferBytes int64) (source.Options, error) {
	o := source.Options{Member: f.member, Raw: f.raw, Stdin: p.stdin}
	if least := leastMemory(bufferBytes); f.memoryBytes > 0 && f.memoryBytes < least {
		return o, usagef("--memory is too little: this command takes %dMiB at the least", least>>20)
	}
	memory := cmp.Or(f.memoryBytes, defaultMemory())
	keepWithin(memory, bufferBytes)
	o.MemoryBytes = decodingMemory(memory, bufferBytes)
	if f.sha256 == "" {
		return o, nil
	}
	published, err := source.ParseExpected(f.sha256)
	if err != nil {
		return o, usagef("--sha256: %w", err)
	}
	o.Expected = published
	return o, nil
}

// An openImage is an image together with what the progress shows of its source.
type openImage interface {
	job.Image
	io.Closer
	progress.Image
}

// openSource opens an image to be decoded.
func openSource(ctx context.Context, name string, o source.Options) (*source.Image, error) {
	image, err := unlessInterrupted(ctx, func() (*source.Image, error) { return source.Open(ctx, name, o) })
	switch {
	case ctx.Err() != nil:
		return nil, context.Cause(ctx)
	case err != nil:
		return nil, ofImage(name, err)
	}
	return image, nil
}

// ofImage says of an error which image it is about.
func ofImage(name string, err error) error {
	return fmt.Errorf("the image %s: %w", redacted(name), err)
}

// again opens the same image once more; nil where it can be read only once.
func again(name string, o source.Options) func(context.Context) (io.ReadCloser, error) {
	if name == standardInput || isLocal(name) && !isOnDisk(name) {
		return nil
	}
	return func(ctx context.Context) (io.ReadCloser, error) { return source.Open(ctx, name, o) }
}

// redacted is an image's name without the password that a URL may hold.
func redacted(name string) string {
	if address, err := url.Parse(name); err == nil && !isLocal(name) {
		return address.Redacted()
	}
	return name
}

// isLocal tells a path from standard input and from a URL.
func isLocal(name string) bool {
	return name != standardInput && !source.IsURL(name)
}

// standardInput is the name that stands for it.
const standardInput = source.StandardInput
