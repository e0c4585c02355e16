package source

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"strings"
)

// maxSumFileBytes is far more than any list of images needs.
const maxSumFileBytes = 4 << 20

// A sumLine is one line of a checksum file. The name is a base name; empty where the line is a digest alone.
type sumLine struct {
	sum  Sum
	name string
}

// readSums reads the checksum file of that path.
func readSums(name string) ([]sumLine, error) {
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("checksum file %s: %w: it is no regular file", name, ErrNoDigest)
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	lines, err := parseSums(file)
	if err != nil {
		err = fmt.Errorf("checksum file %s: %w", name, err)
	}
	return lines, errors.Join(err, file.Close())
}

// parseSums reads "HEX  NAME", "HEX *NAME", "SHA256 (NAME) = HEX", "SHA256(NAME)= HEX" and lines of digits alone, with any
// blanks. Whatever else is there, such as comments, digests of other kinds and signatures, is passed over.
func parseSums(file io.Reader) ([]sumLine, error) {
	limited := &io.LimitedReader{R: file, N: maxSumFileBytes + 1}
	scanner := bufio.NewScanner(limited)
	var lines []sumLine
	for scanner.Scan() {
		if line, ok := parseSumLine(strings.Trim(scanner.Text(), "\ufeff \t\r")); ok {
			lines = append(lines, line)
		}
	}
	if scanner.Err() == nil && limited.N == 0 {
		return nil, fmt.Errorf("more than %d bytes: %w", maxSumFileBytes, ErrTooMuchMemory)
	}
	return lines, scanner.Err()
}

func parseSumLine(line string) (sumLine, bool) {
	line, escaped := strings.CutPrefix(line, `\`)
	digits, name, ok := splitTagged(line)
	if !ok {
		digits, name, ok = splitPlain(line)
	}
	found, isSum := ParseSum(digits)
	if !ok || !isSum {
		return sumLine{}, false
	}
	if escaped {
		name = strings.NewReplacer(`\\`, `\`, `\n`, "\n", `\r`, "\r").Replace(name)
	}
	if name != "" {
		name = path.Base(name)
	}
	return sumLine{sum: found, name: name}, true
}

// splitTagged takes "SHA256 (NAME) = HEX" apart, and "SHA256(NAME)= HEX" and "SHA2-256(NAME)= HEX" as OpenSSL writes them.
func splitTagged(line string) (digits, name string, ok bool) {
	tag, rest, ok := strings.Cut(line, "(")
	at := strings.LastIndex(rest, ")")
	if tag = strings.TrimSpace(tag); !ok || at < 0 || tag != "SHA256" && tag != "SHA2-256" {
		return "", "", false
	}
	digits, ok = strings.CutPrefix(strings.TrimSpace(rest[at+1:]), "=")
	return strings.TrimSpace(digits), rest[:at], ok
}

// splitPlain takes "HEX  NAME" and "HEX *NAME" apart; the star tells binary from text, which means nothing here.
func splitPlain(line string) (digits, name string, ok bool) {
	at := strings.IndexAny(line, " \t")
	if at < 0 {
		return line, "", true
	}
	digits, rest := line[:at], line[at:]
	if name, starred := strings.CutPrefix(rest, " *"); starred {
		return digits, name, true
	}
	return digits, strings.TrimLeft(rest, " \t"), true
}
