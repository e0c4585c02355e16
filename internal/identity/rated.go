package identity

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// ErrRated is the error of a printed rating that is not understood, or that is no promise.
var ErrRated = errors.New("what is printed")

// understoodMarks are the marks of each family, by their letter.
var understoodMarks = map[byte][]string{
	'C': {"C2", "C4", "C6", "C10"},
	'U': {"U1", "U3"},
	'V': {"V6", "V10", "V30", "V60", "V90"},
	'E': {"E150", "E300", "E450", "E600"},
	'A': {"A1", "A2"},
}

// maximumRate is a rate as packages print it, "100 MB/s", in capitals.
var maximumRate = regexp.MustCompile(`[0-9][0-9.]*\s*[MG]I?B\s*(/\s*S|PS)`)

// ParseRated reads the marks that are printed on a card, such as "C10 U1 V30 A1", in any case and order, between spaces or
// commas; a text without any mark claims nothing. A mark that is none, a family that is there with two classes, and a maximum
// rate are errors that wrap ErrRated.
func ParseRated(text string) (Claims, error) {
	text = strings.ToUpper(text)
	if rate := maximumRate.FindString(text); rate != "" {
		return Claims{}, fmt.Errorf("%w: %q is a maximum, which is no promise; what promises a rate is %s",
			ErrRated, rate, understood())
	}
	var claims Claims
	for _, printed := range strings.FieldsFunc(text, func(r rune) bool { return r == ' ' || r == ',' || r == '\t' }) {
		class := claims.family(printed[0])
		if class == nil || !slices.Contains(understoodMarks[printed[0]], printed) {
			return Claims{}, fmt.Errorf("%w: %q is not understood; the marks are %s", ErrRated, printed, understood())
		}
		value, err := strconv.Atoi(printed[1:])
		if err != nil {
			return Claims{}, fmt.Errorf("%w: %q: %w", ErrRated, printed, err)
		}
		if *class != 0 && *class != value {
			return Claims{}, fmt.Errorf("%w: %q beside %c%d: one of the two at most can be printed on the card",
				ErrRated, printed, printed[0], *class)
		}
		*class = value
	}
	return claims, nil
}

// family gives the class that a letter stands for, nil for a letter that stands for none.
func (c *Claims) family(letter byte) *int {
	return map[byte]*int{
		'C': &c.SpeedClass, 'U': &c.UHSGrade, 'V': &c.VideoClass, 'E': &c.ExpressClass, 'A': &c.AppClass,
	}[letter]
}

// understood lists all marks.
func understood() string {
	var marks []string
	for _, letter := range []byte("CUVEA") {
		marks = append(marks, understoodMarks[letter]...)
	}
	return strings.Join(marks, " ")
}
