package house_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// A floor is a set of packages that may import every package of a lower floor, and none of their own.
type floor struct {
	packages []string
	why      string
}

// floors are the packages of the product from the ground up. Some of them are not there yet: a package appears when the work
// needs it, and then finds its place and its arrows here.
var floors = []floor{
	{
		[]string{"flash", "flash/source", "flash/source/xz", "verify", "partition"},
		"they are public and know nothing of records, readers or terminals, so that another program can use them alone",
	},
	{
		[]string{
			"internal/store", "internal/gauge", "internal/capacity", "internal/identity", "internal/logbook", "internal/device",
			"internal/project", "internal/fat",
		},
		"each does one thing for a job, and none needs to know that the others exist",
	},
	{[]string{"internal/job"}, "it alone orders the steps of a card's way, so nothing that it uses may start one"},
	{[]string{"internal/batch"}, "it works through many jobs and has no face of its own"},
	{[]string{"internal/station", "internal/tally"}, "each shows a batch in a way of its own, and is used by the program alone"},
	{[]string{"cmd/cardwright"}, "a program is imported by nobody"},
}

// A passage is an import that the floors do not allow, or a package that stands on none of them.
type passage struct {
	from string
	to   []string
	why  string
}

// passages are all the imports beside those from a floor to a lower one.
var passages = []passage{
	{"verify", []string{"flash"}, "a proof compares with the manifest that the writing made"},
	{"flash/source", []string{"flash", "partition"}, "raw bytes are an image only where they begin with a known table"},
	{"flash/source", []string{"flash/source/xz"}, "it decodes one of the formats, and knows nothing of the others"},
	{
		"internal/report",
		[]string{"flash", "flash/source", "verify", "partition", "internal/capacity", "internal/identity", "internal/logbook"},
		"it prints results and never starts work",
	},
	{
		"internal/compare",
		[]string{"flash", "flash/source", "verify", "partition", "internal/logbook"},
		"it reads the logbook and never starts work",
	},
	{"internal/project", []string{"internal/fat"}, "a card's own files go into a FAT file system, which needs to know of no project"},
	{
		"internal/logbook",
		[]string{"internal/identity", "internal/capacity"},
		"which texts are CIDs is said in one place; and of a check of the size it keeps what was printed, as of a run what flash and verify found",
	},
	{
		"internal/tally",
		[]string{"internal/progress", "internal/report", "internal/terminal"},
		"it shows a batch's cards at work on a terminal, in the words and figures of results",
	},
	{
		"internal/progress",
		[]string{"flash", "flash/source", "internal/capacity", "internal/report", "internal/terminal"},
		"it looks at the meters of cards at work, in the words and figures of results, and starts none",
	},
	{"internal/terminal", nil, "what speaks with the terminal knows nothing of cards, nor of what is drawn"},
	{"internal/cardlab", []string{"flash"}, "an emulated card knows of the program that is tested no more than a real one does"},
	{"internal/cardlab/conform", []string{"flash"}, "the suite fits any card"},
	{"internal/cardlab/registers", nil, "what encodes registers shares nothing with what decodes them, so that each tests the other"},
	{"internal/cardlab/blockdev", []string{"flash", "internal/cardlab"}, "it shows the kernel a card that is modelled elsewhere"},
	{"cmd/cardwright", []string{"internal/report", "internal/compare"}, "the program prints and compares"},
	{"cmd/cardwright", []string{"internal/progress", "internal/terminal"}, "the program shows cards at work, and asks on the terminal"},
	{"cmd/cardwright", []string{"internal/cardlab"}, "the demo, and nothing else of it, works on emulated cards"},
	{
		"cmd/cardlab",
		[]string{"flash", "internal/cardlab", "internal/cardlab/blockdev", "internal/cardlab/registers"},
		"the developer's program shows one emulated card",
	},
	{"bench", []string{"flash/source", "flash/source/xz", "internal/cardlab", "internal/cardlab/blockdev"}, "it measures the program from outside, on emulated cards"},
}

// testsMayImport is what tests may use beside what their package may.
var testsMayImport = []string{
	"internal/cardlab", "internal/cardlab/conform", "internal/cardlab/blockdev", "internal/cardlab/registers",
}

// wholeProductTests use the product from outside; nothing imports them.
var wholeProductTests = []string{"e2e", "internal/house"}

// A reserve is an import that only some packages may make.
type reserve struct {
	imports  []string // a path stands for all below it too
	packages []string // none: nobody
	alsoIn   string   // "tests" where tests of every package may
	why      string
}

var reserves = []reserve{
	{
		[]string{"database/sql", "modernc.org"},
		[]string{"internal/logbook"},
		"", "the logbook holds the only SQL",
	},
	{
		[]string{"net/http"},
		[]string{"flash/source", "internal/station"},
		"tests", "only a source is fetched, and only a station serves",
	},
	{
		[]string{"golang.org/x/sys"},
		// Beside those that are about disks: the logbook makes its file without opening it, which would drop SQLite's locks, the
		// store locks its entries and drops what it wrote from the cache, the terminal is set and asked for its size, and the program
		// asks how much memory there is.
		[]string{
			"internal/device", "internal/cardlab/blockdev", "internal/logbook", "internal/store", "internal/terminal", "cmd/cardwright",
			"bench",
		},
		"tests", "the kernel is spoken to at the edges; what decodes, writes, proves and orders runs anywhere",
	},
	{
		[]string{"os/exec"},
		// The bench compares with other programs, and the tally runs the operator's own command for the events of a batch, from one
		// file alone.
		[]string{"bench", "internal/tally"},
		"tests", "the program does its work itself: another program's version, path or output decides nothing",
	},
	{
		[]string{"flag", "github.com/spf13"},
		[]string{"cmd/cardwright", "cmd/cardlab", "bench"},
		"tests", "flags are the business of programs",
	},
	{
		[]string{"github.com/cheggaaa/pb"},
		[]string{"internal/progress", "internal/terminal"},
		"", "bars are drawn in one place, and the terminal's echo is turned off in another",
	},
	{
		[]string{"github.com/hanwen/go-fuse"},
		[]string{"internal/cardlab/blockdev"},
		"", "only the emulated card is a file system",
	},
	{
		[]string{"testing"},
		[]string{"internal/cardlab/conform"},
		"tests", "a program that links testing carries its flags",
	},
	{
		[]string{"log", "log/slog"},
		[]string{"cmd/cardwright", "cmd/cardlab", "internal/station", "internal/cardlab/blockdev"},
		"tests", "a library returns what happened; it never logs",
	},
}

// TestImportsFollowTheLayout reads the imports of every package under every build tag.
func TestImportsFollowTheLayout(t *testing.T) {
	for _, tags := range []string{"", "device", "oracle", "images", "device,oracle,images"} {
		packages := listPackages(t, tags)
		if len(packages) == 0 {
			t.Fatalf("tags %q: no package was listed", tags)
		}
		for _, complaint := range complaints(packages) {
			t.Errorf("tags %q: %s", tags, complaint)
		}
	}
}

// complaints lists every import that has no place in the tables above.
func complaints(packages []listed) []string {
	var all []string
	for _, p := range packages {
		name := p.name()
		if !placed(name) && !slices.Contains(wholeProductTests, name) {
			all = append(all, name+" has no place in the layout: put it on a floor, or give it passages with a reason")
			continue
		}
		for _, to := range p.Imports {
			all = append(all, judge(name, to, false)...)
		}
		for _, to := range slices.Concat(p.TestImports, p.XTestImports) {
			all = append(all, judge(name, to, true)...)
		}
	}
	return all
}

// judge gives what speaks against one import.
func judge(from, path string, inTest bool) []string {
	to, ours := strings.CutPrefix(path, modulePath+"/")
	if ours {
		return judgeArrow(from, to, inTest)
	}
	for _, r := range reserves {
		if !r.covers(path) || slices.Contains(r.packages, from) || inTest && r.alsoIn == "tests" {
			continue
		}
		return []string{fmt.Sprintf("%s imports %s, which is kept for %v: %s", from, path, r.packages, r.why)}
	}
	return nil
}

// judgeArrow judges an import within the module.
func judgeArrow(from, to string, inTest bool) []string {
	switch {
	case inTest && (from == to || slices.Contains(testsMayImport, to) || slices.Contains(wholeProductTests, from)):
		return nil
	case level(from) >= 0 && level(to) >= 0 && level(to) < level(from):
		return nil
	}
	for _, p := range passages {
		if p.from == from && slices.Contains(p.to, to) {
			return nil
		}
	}
	return []string{fmt.Sprintf("%s imports %s: %s", from, to, reason(from, to))}
}

// reason says why an arrow is wrong.
func reason(from, to string) string {
	switch {
	case slices.Contains(testsMayImport, to) || slices.Contains(wholeProductTests, to):
		return "that is there for tests, the demo and the developer's program alone"
	case level(from) >= 0:
		return "of its packages, " + floors[level(from)].why
	case level(to) >= 0:
		return "of the packages beside it, " + floors[level(to)].why
	}
	return "no passage leads there"
}

// placed tells whether the layout knows a package.
func placed(name string) bool {
	return level(name) >= 0 || slices.ContainsFunc(passages, func(p passage) bool { return p.from == name })
}

// level is the floor that a package stands on, -1 for none.
func level(name string) int {
	return slices.IndexFunc(floors, func(f floor) bool { return slices.Contains(f.packages, name) })
}

func (r reserve) covers(path string) bool {
	return slices.ContainsFunc(r.imports, func(kept string) bool {
		return path == kept || strings.HasPrefix(path, kept+"/") && kept != "testing" && kept != "log"
	})
}

// TestWrongImportsAreSeen shows the check arrows that it must refuse, and some that it must let pass.
func TestWrongImportsAreSeen(t *testing.T) {
	for _, c := range []struct {
		from, to string
		inTest   bool
		wrong    bool
	}{
		{from: "flash", to: "cardwright/internal/logbook", wrong: true},
		{from: "flash", to: "cardwright/verify", wrong: true},
		{from: "partition", to: "cardwright/flash", wrong: true},
		{from: "verify", to: "cardwright/flash"},
		{from: "internal/logbook", to: "cardwright/internal/device", wrong: true},
		{from: "internal/device", to: "cardwright/internal/job", wrong: true},
		{from: "internal/job", to: "cardwright/internal/device"},
		{from: "internal/job", to: "cardwright/internal/report", wrong: true},
		{from: "internal/job", to: "cardwright/internal/cardlab", wrong: true},
		{from: "internal/job", to: "cardwright/internal/cardlab", inTest: true},
		{from: "internal/station", to: "cardwright/cmd/cardwright", wrong: true},
		{from: "internal/report", to: "cardwright/internal/batch", wrong: true},
		{from: "internal/cardlab", to: "cardwright/internal/job", wrong: true},
		{from: "internal/identity", to: "cardwright/internal/cardlab/registers", wrong: true},
		{from: "internal/identity", to: "cardwright/internal/cardlab/registers", inTest: true},
		{from: "internal/cardlab/registers", to: "cardwright/internal/identity", wrong: true},
		{from: "internal/job", to: "cardwright/e2e", wrong: true},
		{from: "internal/job", to: "database/sql", wrong: true},
		{from: "internal/job", to: "database/sql", inTest: true, wrong: true},
		{from: "internal/logbook", to: "database/sql/driver"},
		{from: "flash/source", to: "net/http"},
		{from: "partition", to: "net/http", wrong: true},
		{from: "internal/device", to: "os/exec", wrong: true},
		{from: "internal/device", to: "os/exec", inTest: true},
		{from: "internal/tally", to: "os/exec"},
		{from: "cmd/cardwright", to: "os/exec", wrong: true},
		{from: "internal/job", to: "golang.org/x/sys/unix", wrong: true},
		{from: "flash", to: "github.com/spf13/cobra", wrong: true},
		{from: "internal/terminal", to: "github.com/cheggaaa/pb/v3/termutil"},
		{from: "internal/batch", to: "github.com/cheggaaa/pb/v3", wrong: true},
		{from: "internal/terminal", to: "cardwright/internal/report", wrong: true},
		{from: "internal/tally", to: "cardwright/internal/batch"},
		{from: "internal/tally", to: "cardwright/internal/station", wrong: true},
		{from: "internal/batch", to: "cardwright/internal/tally", wrong: true},
		{from: "internal/progress", to: "cardwright/internal/tally", wrong: true},
		{from: "internal/progress", to: "cardwright/internal/capacity"},
		{from: "internal/progress", to: "cardwright/internal/batch", wrong: true},
		{from: "internal/job", to: "cardwright/internal/progress", wrong: true},
		{from: "cmd/cardwright", to: "github.com/cheggaaa/pb/v3", wrong: true},
		{from: "flash", to: "testing/synctest", inTest: true},
	} {
		if got := judge(c.from, c.to, c.inTest); (len(got) > 0) != c.wrong {
			t.Errorf("%s -> %s (in a test: %v): got %q, wrong is %v", c.from, c.to, c.inTest, got, c.wrong)
		}
	}
	if got := complaints([]listed{{ImportPath: "cardwright/internal/newcomer"}}); len(got) != 1 {
		t.Errorf("a package without a place: got %q", got)
	}
}
