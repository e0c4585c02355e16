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

// parseSums reads "HEX  NAME", "HEX *NAME", "SHA256 (NAME) = HEX" and lines of digits alone. Whatever else is there, such as
// comments, digests of other kinds and signatures, is passed over.
func parseSums(file io.Reader) ([]sumLine, error) {
	limited := &io.LimitedReader{R: file, N: maxSumFileBytes + 1}
	scanner := bufio.NewScanner(limited)
	var lines []sumLine
	for scanner.Scan() {
		if line, ok := parseSumLine(strings.TrimSuffix(scanner.Text(), "\r")); ok {
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

// splitTagged takes "SHA256 (NAME) = HEX" apart.
func splitTagged(line string) (digits, name string, ok bool) {
	rest, ok := strings.CutPrefix(line, "SHA256 (")
	at := strings.LastIndex(rest, ") = ")
	if !ok || at < 0 {
		return "", "", false
	}
	return strings.TrimSpace(rest[at+len(") = "):]), rest[:at], true
}

// splitPlain takes "HEX  NAME" and "HEX *NAME" apart; the second sign tells text from binary, which means nothing here.
func splitPlain(line string) (digits, name string, ok bool) {
	digits, rest, named := strings.Cut(line, " ")
	if !named || strings.TrimSpace(rest) == "" {
		return strings.TrimSpace(digits), "", true
	}
	if rest[0] != ' ' && rest[0] != '*' {
		return "", "", false
	}
	return digits, rest[1:], true
}
