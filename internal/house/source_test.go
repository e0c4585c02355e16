package house_test

import (
	"fmt"
	"go/ast"
	"go/doc"
	"path"
	"slices"
	"strings"
	"testing"
)

const (
	longestFileLines     = 400
	longestFunctionLines = 60
)

// longFiles and longFunctions are what may be longer, each with its reason.
var (
	longFiles     = map[string]string{}
	longFunctions = map[string]string{}
)

// sleepers are the files that may call time.Sleep where no bubble is seen around it.
var sleepers = map[string]string{
	"flash/measure_test.go":                   "its slow reader is read inside bubbles alone, so that it sleeps on their clock",
	"internal/job/giveup_test.go":             "its late card is written inside bubbles alone, so that it sleeps on their clock",
	"internal/cardlab/blockdev/loop_linux.go": "the kernel tells nobody when a loop device is let go, so it is asked again",
}

// emptyNames say nothing of what a package does, so that everything ends up in it.
var emptyNames = []string{"util", "utils", "common", "helpers", "types", "models", "errors", "misc", "base"}

// TestSourceKeepsTheRules applies every rule about source text to every file.
func TestSourceKeepsTheRules(t *testing.T) {
	for _, f := range sourceFiles(t) {
		for _, complaint := range slices.Concat(undocumented(f), tooLong(f), badlyNamed(f), sleeping(f), misplaced(f)) {
			t.Errorf("%s: %s", f.path, complaint)
		}
	}
}

// TestSourceRulesAreAlive shows each rule something that it must refuse. A waiver for what no longer exists is refused too.
func TestSourceRulesAreAlive(t *testing.T) {
	long := "package p\n\nfunc f() {\n" + strings.Repeat("\t_ = 0\n", longestFileLines) + "}\n"
	for name, complaints := range map[string][]string{
		"no comment":           undocumented(parsedSource(t, "p.go", "package p\n\nfunc F() {}\n")),
		"no comment, method":   undocumented(parsedSource(t, "p.go", "package p\n\n// T is.\ntype T int\n\nfunc (T) F() {}\n")),
		"no comment, constant": undocumented(parsedSource(t, "p.go", "package p\n\nconst C = 1\n")),
		"no sentence":          undocumented(parsedSource(t, "p.go", "package p\n\n// F does\nfunc F() {}\n")),
		"long file":            tooLong(parsedSource(t, "p_test.go", long)),
		"long function":        tooLong(parsedSource(t, "p.go", long)),
		"empty name":           badlyNamed(parsedSource(t, "p.go", "package util\n")),
		"product sleeps":       sleeping(parsedSource(t, "p.go", "package p\n\nfunc f() { time.Sleep(1) }\n")),
		"test sleeps":          sleeping(parsedSource(t, "p_test.go", "package p\n\nfunc f() { time.Sleep(1) }\n")),
		"lab outside demo":     misplaced(parsedSource(t, "cmd/cardwright/flash.go", "package main\n\nimport _ \"cardwright/internal/cardlab\"\n")),
		"command elsewhere":    misplaced(parsedSource(t, "cmd/cardwright/flash.go", "package main\n\nimport _ \"os/exec\"\n")),
		"command of the tally": misplaced(parsedSource(t, "internal/tally/stream.go", "package tally\n\nimport _ \"os/exec\"\n")),
	} {
		if len(complaints) == 0 {
			t.Errorf("%s: the rule let it pass", name)
		}
	}
	bubble := "package p\n\nfunc f() { synctest.Test(t, func(t *testing.T) { time.Sleep(1) }) }\n"
	if got := sleeping(parsedSource(t, "p_test.go", bubble)); len(got) > 0 {
		t.Errorf("a sleep on a bubble's clock was refused: %q", got)
	}
	expectWaiversInUse(t)
}

// expectWaiversInUse refuses waivers for files and functions that do not need them.
func expectWaiversInUse(t *testing.T) {
	t.Helper()
	needed := map[string]bool{}
	for _, f := range sourceFiles(t) {
		needed[f.path] = f.lines > longestFileLines
		eachFunction(f, func(key string, lines int) {
			needed[key] = lines > longestFunctionLines
		})
	}
	for _, waivers := range []map[string]string{longFiles, longFunctions} {
		for waived, reason := range waivers {
			if !needed[waived] || reason == "" {
				t.Errorf("the waiver for %s is not needed, or gives no reason", waived)
			}
		}
	}
}

// undocumented lists exported names without a comment whose first sentence stands alone.
func undocumented(f sourceFile) (complaints []string) {
	if f.isTest() {
		return nil
	}
	for _, declaration := range f.ast.Decls {
		switch d := declaration.(type) {
		case *ast.FuncDecl:
			if d.Name.IsExported() && ofExportedType(d) && !hasSentence(d.Doc) {
				complaints = append(complaints, d.Name.Name+" has no comment that begins with a sentence of its own")
			}
		case *ast.GenDecl:
			complaints = append(complaints, undocumentedIn(d)...)
		}
	}
	return complaints
}

// undocumentedIn looks at types, constants and variables. Of a group, the group's comment may speak for all.
func undocumentedIn(d *ast.GenDecl) (complaints []string) {
	for _, spec := range d.Specs {
		var names []*ast.Ident
		var own, beside *ast.CommentGroup
		switch s := spec.(type) {
		case *ast.TypeSpec:
			names, own = []*ast.Ident{s.Name}, s.Doc
		case *ast.ValueSpec:
			names, own, beside = s.Names, s.Doc, s.Comment
		}
		for _, name := range names {
			if name.IsExported() && !hasSentence(own) && !hasSentence(d.Doc) && beside == nil {
				complaints = append(complaints, name.Name+" has no comment that begins with a sentence of its own")
			}
		}
	}
	return complaints
}

// ofExportedType tells whether a function is a method that a user of the package can see, or no method.
func ofExportedType(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	receiver := d.Recv.List[0].Type
	if star, ok := receiver.(*ast.StarExpr); ok {
		receiver = star.X
	}
	if generic, ok := receiver.(*ast.IndexExpr); ok {
		receiver = generic.X
	}
	name, ok := receiver.(*ast.Ident)
	return !ok || name.IsExported()
}

func hasSentence(comment *ast.CommentGroup) bool {
	if comment == nil {
		return false
	}
	first := new(doc.Package).Synopsis(comment.Text())
	return strings.HasSuffix(first, ".") || strings.HasSuffix(first, ":")
}

// tooLong lists files and functions that have outgrown a reader's eye. In tests, a function may hold a long table.
func tooLong(f sourceFile) (complaints []string) {
	if _, waived := longFiles[f.path]; f.lines > longestFileLines && !waived {
		complaints = append(complaints, fmt.Sprintf("%d lines, more than %d", f.lines, longestFileLines))
	}
	if f.isTest() {
		return complaints
	}
	eachFunction(f, func(key string, lines int) {
		if _, waived := longFunctions[key]; lines > longestFunctionLines && !waived {
			complaints = append(complaints, fmt.Sprintf("%s has %d lines, more than %d", key, lines, longestFunctionLines))
		}
	})
	return complaints
}

// eachFunction visits the functions of a file, each by its file's folder and its name.
func eachFunction(f sourceFile, visit func(key string, lines int)) {
	for _, declaration := range f.ast.Decls {
		if d, ok := declaration.(*ast.FuncDecl); ok {
			lines := f.set.Position(d.End()).Line - f.lineOf(d) + 1
			visit(path.Join(path.Dir(f.path), d.Name.Name), lines)
		}
	}
}

// badlyNamed refuses packages whose name says nothing.
func badlyNamed(f sourceFile) []string {
	if slices.Contains(emptyNames, strings.TrimSuffix(f.ast.Name.Name, "_test")) {
		return []string{"the package's name, " + f.ast.Name.Name + ", says nothing of its duty"}
	}
	return nil
}

// misplaced refuses, in any file of the program and of its tally but those that are there for it, the emulated card and the running
// of commands: package by package, this cannot be told.
func misplaced(f sourceFile) (complaints []string) {
	if !slices.Contains([]string{"cmd/cardwright", "internal/tally"}, path.Dir(f.path)) || f.isTest() {
		return nil
	}
	for _, imported := range f.ast.Imports {
		if strings.HasPrefix(imported.Path.Value, `"`+modulePath+`/internal/cardlab`) && !strings.HasPrefix(f.path, "cmd/cardwright/demo") {
			complaints = append(complaints, "only the demo may work on emulated cards")
		}
		if imported.Path.Value == `"os/exec"` && f.path != "internal/tally/onevent.go" {
			complaints = append(complaints, "no command is run but the operator's own, for the events of a batch")
		}
	}
	return complaints
}

// sleeping refuses time.Sleep: a test that sleeps is slow on a quick machine and wrong on a slow one. On the clock of a
// synctest bubble it costs nothing and is exact.
func sleeping(f sourceFile) (complaints []string) {
	if _, allowed := sleepers[f.path]; allowed {
		return nil
	}
	ast.Inspect(f.ast, func(n ast.Node) bool {
		call, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		if isSelector(call.Fun, "time", "Sleep") {
			complaints = append(complaints, fmt.Sprintf("line %d sleeps", f.lineOf(call)))
		}
		return !isSelector(call.Fun, "synctest", "Test")
	})
	return complaints
}

// isSelector tells whether an expression is pkg.name.
func isSelector(e ast.Expr, pkg, name string) bool {
	selector, ok := e.(*ast.SelectorExpr)
	if !ok || selector.Sel.Name != name {
		return false
	}
	x, ok := selector.X.(*ast.Ident)
	return ok && x.Name == pkg
}
