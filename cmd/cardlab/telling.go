package main

import (
	"errors"
	"flag"
	"fmt"
	"slices"
	"strings"

	"cardwright/internal/cardlab/registers"
)

// telling is what the command line asks for of what the card tells of itself.
type telling struct {
	folder    string
	sample    string // "": the first that can be of the card's size
	forgeries []string
	sized     bool // the operator gave a size, which the registers tell then; otherwise the card is of the sample's
}

func (a *telling) define(flags *flag.FlagSet) {
	flags.StringVar(&a.folder, "registers", "", "`DIR` that the card's registers are written to; it must not hold any yet")
	flags.StringVar(&a.sample, "card", "", "`NAME` of the card that the registers are of: "+
		strings.Join(registers.SampleNames(), ", ")+" (default: the first SD card that can be of -size; without it, sdhc)")
	flags.Func("forge", "`NAME[,NAME]`: what the registers lie about. Forgeries are\n"+forgeryList(), func(names string) error {
		a.forgeries = append(a.forgeries, strings.Split(names, ",")...)
		return nil
	})
}

// forgeryList explains every forgery.
func forgeryList() string {
	var text strings.Builder
	for _, f := range registers.Forgeries() {
		fmt.Fprintf(&text, "%s: %s\n", f.Name, f.What)
	}
	return strings.TrimSuffix(text.String(), "\n")
}

var errWithoutFolder = errors.New("-card and -forge say what -registers writes, so they need it")

// tell makes the card's registers. A forgery may be about the card's size too.
func (o *options) tell(a telling) error {
	if a.folder == "" {
		if a.sample != "" || len(a.forgeries) > 0 {
			return errWithoutFolder
		}
		return nil
	}
	set, err := a.sound(o.traits.SizeBytes)
	if err != nil {
		return err
	}
	if o.registers, err = registers.Forge(set, a.forgeries...); err != nil {
		return err
	}
	o.registerFolder, o.traits.SizeBytes = a.folder, o.registers.SizeBytes
	return nil
}

// sound gives the card before it lies.
func (a telling) sound(sizeBytes int64) (registers.Set, error) {
	if !a.sized {
		name := a.sample
		if name == "" {
			name = "sdhc"
		}
		return registers.Sample(name)
	}
	if a.sample != "" {
		set, err := registers.Sample(a.sample)
		if err != nil {
			return registers.Set{}, err
		}
		return set.Sized(sizeBytes)
	}
	return firstSD(sizeBytes)
}

// firstSD gives the first SD card that can be of a size. An eMMC may be of almost any, and is made where it is named.
func firstSD(sizeBytes int64) (registers.Set, error) {
	var errs []error
	tried := []registers.Kind{registers.EMMC}
	for _, name := range registers.SampleNames() {
		set, err := registers.Sample(name)
		if err != nil {
			return registers.Set{}, err
		}
		if slices.Contains(tried, set.Kind) {
			continue
		}
		tried = append(tried, set.Kind)
		sized, err := set.Sized(sizeBytes)
		if err == nil {
			return sized, nil
		}
		errs = append(errs, err)
	}
	return registers.Set{}, errors.Join(errs...)
}
