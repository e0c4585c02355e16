package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"cardwright/flash/source"
)

// imageFlags say how an image is opened: they are the same wherever a command takes one.
type imageFlags struct {
	sha256 string
	member string
	raw    bool
}

func (f *imageFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.sha256, "sha256", "",
		"the published `digest`: 64 hexadecimal digits for the file as downloaded, image:DIGITS for the decoded image, "+
			"or the path of a checksum file (else NAME.sha256 or SHA256SUMS beside the image)")
	cmd.Flags().StringVar(&f.member, "member", "", "the `name` of the file to take from an archive of several")
	cmd.Flags().BoolVar(&f.raw, "raw", false, "take the bytes as they are, even where they look like nothing known")
}

// options reads the flags. A digest that makes no sense is wrong usage.
func (f *imageFlags) options(p *program) (source.Options, error) {
	o := source.Options{Member: f.member, Raw: f.raw, Stdin: p.stdin}
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
type openImage struct{ *source.Image }

// openSource opens an image. An interrupt does not wait for a source that gives nothing, such as a pipe that nobody fills.
func openSource(ctx context.Context, name string, o source.Options) (openImage, error) {
	opened := make(chan struct{})
	var found *source.Image
	var err error
	go func() { // ends with the opening; one that hangs ends with the program, which the interrupt is about to end
		defer close(opened)
		found, err = source.Open(ctx, name, o)
	}()
	select {
	case <-opened:
	case <-ctx.Done():
		return openImage{}, context.Cause(ctx)
	}
	if err != nil {
		return openImage{}, fmt.Errorf("the image %s: %w", name, err)
	}
	return openImage{found}, nil
}

// isLocal tells a path from standard input and from a URL.
func isLocal(name string) bool {
	return name != standardInput && !strings.HasPrefix(name, "http://") && !strings.HasPrefix(name, "https://")
}

// standardInput is the name that stands for it.
const standardInput = "-"
