package device

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"unicode"
)

// attributes reads the files of one sysfs folder and keeps a gap for each that did not give a sound value.
type attributes struct {
	dir    string
	prefix string // of the field names in gaps; empty for the disk itself
	gaps   []Gap
}

func (a *attributes) miss(field string, why error) {
	a.gaps = append(a.gaps, Gap{Field: a.prefix + field, Why: plain(why).Error()})
}

// raw gives a file's bytes. A missing file is no gap here: ok tells.
func (a *attributes) raw(name string) (content string, ok bool) {
	b, err := os.ReadFile(filepath.Join(a.dir, name))
	if errors.Is(err, fs.ErrNotExist) {
		return "", false
	}
	if err != nil {
		a.miss(name, err)
		return "", false
	}
	return string(b), true
}

// text gives what a file says for people to read, empty where it is missing.
func (a *attributes) text(name string) string {
	content, _ := a.raw(name)
	return printable(strings.TrimSpace(content))
}

// line gives the one line of a file that must be there. A line without its end was cut short.
func (a *attributes) line(name string) (string, bool) {
	before := len(a.gaps)
	content, ok := a.raw(name)
	if !ok {
		if len(a.gaps) == before {
			a.miss(name, errors.New("the kernel does not tell it"))
		}
		return "", false
	}
	content, whole := strings.CutSuffix(content, "\n")
	if !whole || content == "" {
		a.miss(name, fmt.Errorf("it is empty or cut short: %q", content))
		return "", false
	}
	return content, true
}

func (a *attributes) number(name string) uint64 {
	s, ok := a.line(name)
	if !ok {
		return 0
	}
	v, err := strconv.ParseUint(s, 10, 63)
	if err != nil {
		a.miss(name, fmt.Errorf("%q is not a number", s))
		return 0
	}
	return v
}

// sectorBytes gives a sector size, which the block layer takes only as a power of two from 512 on.
func (a *attributes) sectorBytes(name string) int64 {
	before := len(a.gaps)
	v := a.number(name)
	if len(a.gaps) == before && (v < 512 || v&(v-1) != 0) {
		a.miss(name, fmt.Errorf("%d bytes are no sector", v))
	}
	return int64(v)
}

func (a *attributes) flag(name string) bool {
	s, ok := a.line(name)
	if ok && s != "0" && s != "1" {
		a.miss(name, fmt.Errorf("%q is neither 0 nor 1", s))
	}
	return s == "1"
}

func (a *attributes) devNumber(name string) DevNumber {
	s, ok := a.line(name)
	if !ok {
		return DevNumber{}
	}
	n, err := parseDevNumber(s)
	if err == nil && n.Major == 0 {
		err = fmt.Errorf("%s is no block device", n)
	}
	if err != nil {
		a.miss(name, err)
		return DevNumber{}
	}
	return n
}

// links gives the names in a folder that must be there, such as holders.
func (a *attributes) links(name string) []string {
	entries, err := os.ReadDir(filepath.Join(a.dir, name))
	if err != nil {
		a.miss(name, err)
		return nil
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	sort.Strings(names)
	return names
}

func (a *attributes) exists(name string) bool {
	_, err := os.Lstat(filepath.Join(a.dir, name))
	return err == nil
}

func parseDevNumber(s string) (DevNumber, error) {
	major, minor, ok := strings.Cut(s, ":")
	if !ok {
		return DevNumber{}, fmt.Errorf("%q is no device number", s)
	}
	// 12 and 20 bits are what the kernel's own device numbers hold.
	ma, errMajor := strconv.ParseUint(major, 10, 12)
	mi, errMinor := strconv.ParseUint(minor, 10, 20)
	if errMajor != nil || errMinor != nil {
		return DevNumber{}, fmt.Errorf("%q is no device number", s)
	}
	return DevNumber{Major: uint32(ma), Minor: uint32(mi)}, nil
}

// printable keeps a device's own text from steering the terminal it is shown on.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, s)
}

// plain leaves out the path that the caller names anyway.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}
