package device

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// mounts reads the mount table. One line that makes no sense makes the whole table unknown.
func (r *reader) mounts() ([]Mount, error) {
	content, err := os.ReadFile(filepath.Join(r.roots.Proc, "self", "mountinfo"))
	if err != nil {
		return nil, err
	}
	mounts, err := parseMounts(string(content))
	if err != nil {
		return nil, err
	}
	for i := range mounts {
		mounts[i].Sources = r.sources(mounts[i].Source)
	}
	return mounts, nil
}

// sources looks up a mount's source; one file system kind names several devices with ":" between them.
func (r *reader) sources(source string) []Place {
	if !strings.HasPrefix(source, "/") {
		return nil
	}
	var places []Place
	for _, path := range strings.Split(strings.ReplaceAll(source, ":/", "\x00/"), "\x00") {
		places = append(places, r.roots.place(path))
	}
	return places
}

// parseMounts reads /proc/PID/mountinfo as proc(5) describes it:
//
//	36 35 98:0 /root /mount/point rw,noatime master:1 - ext3 /dev/source rw,errors=continue
func parseMounts(table string) ([]Mount, error) {
	lines, err := wholeLines(table)
	if err != nil {
		return nil, err
	}
	var mounts []Mount
	rooted := false
	for _, line := range lines {
		m, err := parseMount(line)
		if err != nil {
			return nil, fmt.Errorf("%w in %q", err, line)
		}
		rooted = rooted || m.Point == "/"
		mounts = append(mounts, m)
	}
	if !rooted {
		return nil, errors.New("it does not say where / is mounted from")
	}
	return mounts, nil
}

func parseMount(line string) (Mount, error) {
	fields := strings.Split(line, " ")
	dash := 6
	for dash < len(fields) && fields[dash] != "-" {
		dash++
	}
	if len(fields) != dash+4 {
		return Mount{}, fmt.Errorf("%d fields do not fit", len(fields))
	}
	dev, err := parseDevNumber(fields[2])
	if err != nil {
		return Mount{}, err
	}
	point, errPoint := unescapeOctal(fields[4])
	source, errSource := unescapeOctal(fields[dash+2])
	if err := errors.Join(errPoint, errSource); err != nil {
		return Mount{}, err
	}
	if !strings.HasPrefix(point, "/") {
		return Mount{}, fmt.Errorf("mount point %q is no path", point)
	}
	kind := fields[dash+1]
	m := Mount{Dev: dev, Point: point, Kind: kind, Source: source}
	if kind == "overlay" {
		m.Layers = layers(fields[dash+3])
	}
	return m, nil
}

// layers gives the folders that an overlay file system stands on, as its options name them.
func layers(options string) []string {
	var paths []string
	for _, option := range strings.Split(options, ",") {
		key, value, _ := strings.Cut(option, "=")
		switch key {
		case "lowerdir", "lowerdir+", "datadir+", "upperdir":
			for _, path := range strings.Split(value, ":") {
				plain, err := unescapeOctal(path)
				if err != nil {
					plain = "/" // told nowhere: as good as hidden below the root
				}
				if plain != "" {
					paths = append(paths, plain)
				}
			}
		}
	}
	return paths
}

// swaps reads the swap table: a heading, then one area a line.
func (r *reader) swaps() ([]Swap, error) {
	content, err := os.ReadFile(filepath.Join(r.roots.Proc, "swaps"))
	if err != nil {
		return nil, err
	}
	swaps, err := parseSwaps(string(content))
	if err != nil {
		return nil, err
	}
	for i := range swaps {
		swaps[i].Place = r.roots.place(swaps[i].Path)
	}
	return swaps, nil
}

func parseSwaps(table string) ([]Swap, error) {
	lines, err := wholeLines(table)
	if err != nil {
		return nil, err
	}
	if !strings.HasPrefix(lines[0], "Filename") {
		return nil, fmt.Errorf("it has no heading: %q", lines[0])
	}
	var swaps []Swap
	for _, line := range lines[1:] {
		fields := strings.Fields(line)
		if len(fields) != 5 || (fields[1] != "partition" && fields[1] != "file") {
			return nil, fmt.Errorf("%q is no swap area", line)
		}
		path, err := unescapeOctal(fields[0])
		if err != nil {
			return nil, err
		}
		swaps = append(swaps, Swap{Place: Place{Path: path}, OnFile: fields[1] == "file"})
	}
	return swaps, nil
}

// wholeLines splits a table of the kernel. A last line without its end says that the table was cut short.
func wholeLines(table string) ([]string, error) {
	table, whole := strings.CutSuffix(table, "\n")
	if !whole {
		return nil, errors.New("it is empty or cut short")
	}
	return strings.Split(table, "\n"), nil
}

// unescapeOctal undoes the kernel's \040 for a space and the like. The kernel escapes the backslash itself, so one that
// begins no such sequence is an error.
func unescapeOctal(s string) (string, error) {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' {
			b.WriteByte(s[i])
			continue
		}
		if i+3 >= len(s) {
			return "", fmt.Errorf("the escape in %q is cut short", s)
		}
		value := 0
		for _, digit := range []byte(s[i+1 : i+4]) {
			if digit < '0' || digit > '7' {
				return "", fmt.Errorf("the escape in %q is not octal", s)
			}
			value = value*8 + int(digit-'0')
		}
		if value > 255 {
			return "", fmt.Errorf("the escape in %q is no byte", s)
		}
		b.WriteByte(byte(value))
		i += 3
	}
	return b.String(), nil
}
