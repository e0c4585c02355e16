package report

import (
	"io"
	"strings"
	"unicode"
)

const (
	screenColumns = 80
	screenLines   = 24
	nameColumns   = 10 // the width of the names that stand before what they name
)

// A page collects lines, none wider than the screen.
type page struct{ lines []string }

// add appends a text under a name, wrapped, with its further lines indented to the first. An empty text adds nothing.
func (p *page) add(name, text string) { p.addUpTo(0, name, text) }

// addUpTo does the same, but cuts the text after so many lines; 0 is any number.
func (p *page) addUpTo(maxLines int, name, text string) {
	if text == "" {
		return
	}
	lines := Wrapped(Printable(text), screenColumns-nameColumns)
	if maxLines > 0 && len(lines) > maxLines {
		lines = lines[:maxLines]
		lines[maxLines-1] = Cut(lines[maxLines-1]+" ...", screenColumns-nameColumns)
	}
	for i, line := range lines {
		if i > 0 {
			name = ""
		}
		p.lines = append(p.lines, strings.TrimRight(Padded(name, nameColumns)+line, " "))
	}
}

// plain appends a text at the left edge, wrapped.
func (p *page) plain(text string) {
	p.lines = append(p.lines, Wrapped(Printable(text), screenColumns)...)
}

// blank appends an empty line.
func (p *page) blank() { p.lines = append(p.lines, "") }

// writeTo prints the page.
func (p *page) writeTo(w io.Writer) error {
	_, err := io.WriteString(w, strings.Join(p.lines, "\n")+"\n")
	return err
}

// Printable takes out of a text what could steer a terminal, and makes one line of it: names and labels come from cards,
// images and readers that nobody vouches for.
func Printable(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case !unicode.IsPrint(r):
			return '?'
		}
		return r
	}, text)
}

// Columns is the width of a text on a terminal, at most: every letter beyond the alphabets of Europe is taken for a wide
// one.
func Columns(text string) (n int) {
	for _, r := range text {
		n++
		if r >= 0x1100 {
			n++
		}
	}
	return n
}

// Cut shortens a text to a width, and marks that with two dots.
func Cut(text string, width int) string {
	if Columns(text) <= width {
		return text
	}
	letters := []rune(text)
	for len(letters) > 0 && Columns(string(letters)) > width-2 {
		letters = letters[:len(letters)-1]
	}
	return string(letters) + ".."
}

// Shortened cuts a name to a width at its middle: what tells names apart mostly stands at their ends.
func Shortened(name string, width int) string {
	if Columns(name) <= width {
		return name
	}
	letters := []rune(name)
	for half := len(letters) / 2; half > 0; half-- {
		short := string(letters[:half]) + ".." + string(letters[len(letters)-half:])
		if Columns(short) <= width {
			return short
		}
	}
	return Cut(name, width)
}

// Padded fills a text up to a width with spaces, or cuts it so that one space remains.
func Padded(text string, width int) string {
	text = Cut(text, width-1)
	return text + strings.Repeat(" ", width-Columns(text))
}

// Wrapped breaks a text at its spaces into lines of at most this width. A word that is wider is cut.
func Wrapped(text string, width int) (lines []string) {
	line := ""
	for word := range strings.FieldsSeq(text) {
		word = Cut(word, width)
		switch {
		case line == "":
			line = word
		case Columns(line)+1+Columns(word) <= width:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	return append(lines, line)
}
