package house_test

import (
	"fmt"
	"go/ast"
	"path"
	"slices"
	"strings"
	"testing"
)

// pathUsers are the folders and files that may open, make, change or delete files by a path, and whose word the path is. All
// others are handed readers, cards and books, so that a name from an archive, a server or a card leads nowhere.
var pathUsers = map[string]string{
	"flash/source/local.go":                "the operator names the image",
	"flash/source/checksumfile.go":         "the operator names the checksum file, or it lies beside the image under a fixed name",
	"internal/device":                      "the operator names the card, and the kernel's own trees tell of it",
	"internal/job/identity.go":             "the kernel's own tree names the folder of a card's registers",
	"internal/capacity":                    "the operator names the folder of what cards held, and names in it are made or listed",
	"internal/store":                       "the operator names the store, and its entries go by digests",
	"cmd/cardwright/store.go":              "it asks whether the store is there, so that no card's file is written over it",
	"internal/logbook":                     "the operator names the logbook, or the environment does",
	"cmd/cardwright/demo.go":               "the demo works in a new folder of its own",
	"cmd/cardwright/orchard.go":            "the demo's image lies in that folder",
	"cmd/cardwright/free.go":               "the operator names the image",
	"cmd/cardwright/kept.go":               "it asks what is there that no card may hold: the logbook, the image, the store, the program",
	"cmd/cardwright/inspect.go":            "the operator names the image or the card",
	"cmd/cardwright/identify.go":           "the operator names the folder of registers, or the kernel does",
	"cmd/cardwright/book.go":               "the operator names the logbook",
	"cmd/cardwright/projectflags.go":       "the operator names the file of labels",
	"cmd/cardwright/target.go":             "the operator names the card",
	"internal/terminal/terminal.go":        "the terminal has a fixed name",
	"internal/project/files.go":            "the operator names the folder of a card's own files; links in it are not followed",
	"internal/cardlab/blockdev":            "the emulated card has a folder of its own, and the kernel's loop devices fixed names",
	"bench":                                "the bench measures in a folder of its own",
	"internal/cardlab/registers/folder.go": "who describes the card names the folder for what it tells; the names in it are fixed",
}

// takingPaths are the calls that reach a file by its name. Those that a descriptor is handed to are not among them.
var takingPaths = map[string][]string{
	"os": {
		"Open", "OpenFile", "OpenInRoot", "OpenRoot", "Create", "CreateTemp", "ReadFile", "WriteFile", "ReadDir", "DirFS", "CopyFS",
		"Mkdir", "MkdirAll", "MkdirTemp", "Remove", "RemoveAll", "Rename", "Link", "Symlink", "Truncate", "Chmod", "Chown", "Lchown",
		"Chtimes", "Chdir", "Stat", "Lstat", "Readlink",
	},
	"syscall": callsOfTheKernel(),
	"unix":    callsOfTheKernel(),
	"ioutil":  {"ReadFile", "WriteFile", "ReadDir", "TempDir", "TempFile"},
}

func callsOfTheKernel() []string {
	return []string{
		"Open", "Openat", "Openat2", "Creat", "Mkdir", "Mkdirat", "Mknod", "Mknodat", "Unlink", "Unlinkat", "Rmdir", "Rename",
		"Renameat", "Renameat2", "Link", "Linkat", "Symlink", "Symlinkat", "Truncate", "Chmod", "Chown", "Mount", "Chroot",
	}
}

// startingPrograms are the calls that hand the process, or a child of it, to another program; importing os/exec is refused by
// the layout. Nobody may make them.
var startingPrograms = map[string][]string{
	"os":      {"StartProcess"},
	"syscall": {"Exec", "ForkExec", "StartProcess", "RawSyscall", "RawSyscall6"},
	"unix":    {"Exec", "RawSyscall", "RawSyscall6"},
}

// foreign are imports of code that is not Go's own memory-safe code, or that is loaded or run from elsewhere.
var foreign = []string{"C", "plugin", "net/http/cgi", "net/http/fcgi"}

// TestOnlyTheOperatorNamesPaths keeps whoever decodes hostile bytes away from files and programs.
func TestOnlyTheOperatorNamesPaths(t *testing.T) {
	needed := map[string]bool{}
	for _, f := range sourceFiles(t) {
		if f.isTest() {
			continue
		}
		for _, complaint := range slices.Concat(reaching(f, needed), starting(f), importingForeign(f)) {
			t.Errorf("%s: %s", f.path, complaint)
		}
	}
	for user, why := range pathUsers {
		if !needed[user] || why == "" {
			t.Errorf("%s reaches for no file, or nothing says why it may", user)
		}
	}
}

// TestRulesForPathsAreAlive shows each rule something that it must refuse.
func TestRulesForPathsAreAlive(t *testing.T) {
	call := func(text string) sourceFile {
		return parsedSource(t, "flash/source/zip.go", "package source\n\nfunc f() { "+text+" }\n")
	}
	for _, text := range []string{
		"os.Create(entry.name)", "os.Symlink(a, b)", "os.Link(a, b)", "os.Rename(a, b)", "os.MkdirAll(a, 0)", "_ = os.Stat",
		"unix.Open(a, 0, 0)", "syscall.Unlink(a)", "os.Open(entry.name)",
	} {
		if len(reaching(call(text), map[string]bool{})) == 0 {
			t.Errorf("%s: the rule let it pass", text)
		}
	}
	for _, text := range []string{"os.StartProcess(a, nil, nil)", "syscall.Exec(a, nil, nil)", "_ = unix.Exec"} {
		if len(starting(call(text))) == 0 {
			t.Errorf("%s: the rule let it pass", text)
		}
	}
	for _, name := range foreign {
		if len(importingForeign(parsedSource(t, "flash/p.go", "package p\n\nimport _ \""+name+"\"\n"))) == 0 {
			t.Errorf("%s: the rule let it pass", name)
		}
	}
	local := parsedSource(t, "flash/source/local.go", "package source\n\nfunc f() { os.Open(name); file.Close() }\n")
	if got := slices.Concat(reaching(local, map[string]bool{}), starting(local), importingForeign(local)); len(got) > 0 {
		t.Errorf("what the operator names was refused: %q", got)
	}
}

// reaching lists calls, or mentions, of functions that take a path where none may be taken. Who may is marked as in need of it.
func reaching(f sourceFile, needed map[string]bool) []string {
	for _, user := range []string{f.path, path.Dir(f.path)} {
		if _, allowed := pathUsers[user]; allowed {
			needed[user] = needed[user] || len(mentions(f, takingPaths)) > 0
			return nil
		}
	}
	if path.Dir(f.path) == "cmd/cardlab" {
		return nil // a developer's program
	}
	return mentions(f, takingPaths)
}

// starting lists what would run another program.
func starting(f sourceFile) []string { return mentions(f, startingPrograms) }

// mentions lists where a file speaks of a package's functions by name.
func mentions(f sourceFile, functions map[string][]string) (complaints []string) {
	ast.Inspect(f.ast, func(n ast.Node) bool {
		selector, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		pkg, ok := selector.X.(*ast.Ident)
		if ok && slices.Contains(functions[pkg.Name], selector.Sel.Name) {
			complaints = append(complaints, fmt.Sprintf("line %d: %s.%s is not for this file: names that come with the data must lead nowhere",
				f.lineOf(selector), pkg.Name, selector.Sel.Name))
		}
		return true
	})
	return complaints
}

// importingForeign lists imports that would bring in other than Go code. No build flag decides: every file is read.
func importingForeign(f sourceFile) (complaints []string) {
	for _, imported := range f.ast.Imports {
		if name := strings.Trim(imported.Path.Value, `"`); slices.Contains(foreign, name) {
			complaints = append(complaints, fmt.Sprintf("it imports %q: what decodes hostile bytes is Go, and runs nothing else", name))
		}
	}
	return complaints
}
