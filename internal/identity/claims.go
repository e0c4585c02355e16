package identity

import (
	"fmt"
	"strings"
)

// Claims are the classes that a card claims, by its registers or by what is printed on it. A class is 0 where none is claimed.
// The zero value claims nothing.
type Claims struct {
	SpeedClass   int // 2, 4, 6, 10
	UHSGrade     int // 1, 3
	VideoClass   int // 6, 10, 30, 60, 90
	ExpressClass int // 150, 300, 450, 600; never in a register that is decoded here
	AppClass     int // 1, 2
}

// A Promise is one rate that a card is to keep at least, and the marks that promise it.
type Promise struct {
	Marks   []string `json:"marks"`
	Kind    string   `json:"kind"` // "sequential_write", "random_read" or "random_write"
	AtLeast float64  `json:"at_least"`
	Unit    string   `json:"unit"` // "bytes_per_s" or "operations_per_s"
}

// bytesPerMB is 10^6: the rates of the classes are taken as decimal, which is how they are used, but which no text of the
// specification confirmed.
const bytesPerMB = 1e6

// Claims gives the classes that the SD status claims. Without one, and for an eMMC module, nothing is claimed.
func (c *Card) Claims() Claims {
	if c.SSR == nil {
		return Claims{}
	}
	return Claims{
		SpeedClass: c.SSR.SpeedClass,
		UHSGrade:   c.SSR.UHSGrade,
		VideoClass: c.SSR.VideoClass,
		AppClass:   c.SSR.AppClass,
	}
}

// WriteBytesPerSecond is the sequential write rate that the card is to keep at least: that of its highest class, where an
// application class counts with its 10 MB/s. It is 0 where no class is claimed.
func (c Claims) WriteBytesPerSecond() float64 {
	highest := 0
	for _, m := range c.sequential() {
		highest = max(highest, m.megabytesPerSecond)
	}
	if c.AppClass != 0 {
		highest = max(highest, appMegabytesPerSecond)
	}
	return float64(highest) * bytesPerMB
}

// Marks are the marks that give WriteBytesPerSecond, "U3, V30": equal promises belong together. An application class is among
// them only where no other mark promises as much.
func (c Claims) Marks() string { return strings.Join(c.highestMarks(), ", ") }

func (c Claims) highestMarks() (marks []string) {
	for _, m := range c.sequential() {
		if float64(m.megabytesPerSecond)*bytesPerMB == c.WriteBytesPerSecond() {
			marks = append(marks, m.String())
		}
	}
	if len(marks) == 0 && c.AppClass != 0 {
		marks = append(marks, c.appMark())
	}
	return marks
}

// String gives all marks as they are printed on cards, "C10 U3 V30 A1"; ParseRated reads it.
func (c Claims) String() string {
	var marks []string
	for _, m := range c.sequential() {
		marks = append(marks, m.String())
	}
	if c.AppClass != 0 {
		marks = append(marks, c.appMark())
	}
	return strings.Join(marks, " ")
}

// Sentence says what a buyer may expect, "claims at least 30 MB/s sequential write (U3, V30) and 1,500/500 random 4 KiB
// read/write operations per second (A1)".
func (c Claims) Sentence() string {
	if c.WriteBytesPerSecond() == 0 {
		return "claims no speed class"
	}
	sentence := fmt.Sprintf("claims at least %.0f MB/s sequential write (%s)", c.WriteBytesPerSecond()/bytesPerMB, c.Marks())
	if random, ok := randomRates[c.AppClass]; ok {
		sentence += fmt.Sprintf(" and %s/%s random 4 KiB read/write operations per second (%s)",
			thousands(random.reads), thousands(random.writes), c.appMark())
	}
	return sentence
}

// Promises gives the same for a program: the highest sequential promise, and those of the application class. It is never nil.
func (c Claims) Promises() []Promise {
	promises := []Promise{}
	if c.WriteBytesPerSecond() > 0 {
		promises = append(promises, Promise{c.highestMarks(), "sequential_write", c.WriteBytesPerSecond(), "bytes_per_s"})
	}
	if random, ok := randomRates[c.AppClass]; ok {
		marks := []string{c.appMark()}
		promises = append(
			promises,
			Promise{marks, "random_read", float64(random.reads), "operations_per_s"},
			Promise{marks, "random_write", float64(random.writes), "operations_per_s"},
		)
	}
	return promises
}

// Limits are sentences that say what these claims do not promise.
func (c Claims) Limits() []string {
	var limits []string
	if sequential := c.sequential(); len(sequential) > 0 {
		limits = append(limits, "Classes other than A1 and A2 promise a minimum rate of sequential writing in whole allocation units, "+
			"and say nothing of small random writes.")
	}
	if c.VideoClass >= 60 {
		limits = append(limits, fmt.Sprintf("V%d holds only where card and host both have UHS-II or faster, "+
			"which no register that is read here shows.", c.VideoClass))
	}
	if c.ExpressClass != 0 {
		limits = append(limits, fmt.Sprintf("E%d holds only where card and host both have SD Express, "+
			"which no register that is read here shows.", c.ExpressClass))
	}
	if c.AppClass == 2 {
		limits = append(limits, "A2 holds only with a host that uses the card's command queue and cache.")
	}
	return append(limits, "A maximum rate printed on a card or its package is no promise.")
}

// A mark is one class of sequential writing that is claimed.
type mark struct {
	letter             string
	class              int
	megabytesPerSecond int
}

// String gives it as it is printed, "U3".
func (m mark) String() string { return fmt.Sprintf("%s%d", m.letter, m.class) }

// uhsMegabytesPerSecond is what a UHS grade promises for each unit of it; the other families name their rate themselves (SD
// Association, but for E300 and E450, which are from memory).
const uhsMegabytesPerSecond = 10

// appMegabytesPerSecond is the sequential write rate that A1 and A2 both demand (SD Association).
const appMegabytesPerSecond = 10

// sequential gives the claimed marks of sequential writing in the order in which they are told.
func (c Claims) sequential() []mark {
	all := [...]mark{
		{"C", c.SpeedClass, c.SpeedClass},
		{"U", c.UHSGrade, c.UHSGrade * uhsMegabytesPerSecond},
		{"V", c.VideoClass, c.VideoClass},
		{"E", c.ExpressClass, c.ExpressClass},
	}
	var claimed []mark
	for _, m := range all {
		if m.class != 0 {
			claimed = append(claimed, m)
		}
	}
	return claimed
}

func (c Claims) appMark() string { return fmt.Sprintf("A%d", c.AppClass) }

// randomRates are the random operations per second that the application classes demand (SD Association); that they are of 4 KiB is
// from memory.
var randomRates = map[int]struct{ reads, writes int }{
	1: {1500, 500},
	2: {4000, 2000},
}

// thousands writes a number below a million with a comma.
func thousands(number int) string {
	if number < 1000 {
		return fmt.Sprint(number)
	}
	return fmt.Sprintf("%d,%03d", number/1000, number%1000)
}
