package house_test

import (
	"fmt"
	"go/ast"
	"go/build/constraint"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestTestsCannotPassForNothing refuses what makes a test green that tested nothing.
func TestTestsCannotPassForNothing(t *testing.T) {
	files := sourceFiles(t)
	for _, f := range files {
		if !f.isTest() {
			continue
		}
		seeded := append(seedsOnDisk(f.path), seeders(files, path.Dir(f.path))...)
		for _, complaint := range slices.Concat(skipping(f), guessingPrivilege(f), cutShort(f), seedless(f, seeded)) {
			t.Errorf("%s: %s", f.path, complaint)
		}
	}
}

// TestRulesForTestsAreAlive shows each rule something that it must refuse.
func TestRulesForTestsAreAlive(t *testing.T) {
	for name, complaints := range map[string][]string{
		"skip":      skipping(parsedSource(t, "p_test.go", "package p\n\nfunc f() { t.Skip(1) }\n")),
		"skip now":  skipping(parsedSource(t, "p_test.go", "package p\n\nfunc f() { tb.SkipNow() }\n")),
		"short":     cutShort(parsedSource(t, "p_test.go", "package p\n\nfunc f() { if testing.Short() { return } }\n")),
		"privilege": guessingPrivilege(parsedSource(t, "p_test.go", "package p\n\nfunc f() { if os.Geteuid() != 0 { return } }\n")),
		"seedless":  seedless(parsedSource(t, "p_test.go", "package p\n\nfunc FuzzF(f *testing.F) { f.Fuzz(nil) }\n"), nil),
	} {
		if len(complaints) == 0 {
			t.Errorf("%s: the rule let it pass", name)
		}
	}
	added := parsedSource(t, "p_test.go", "package p\n\nfunc FuzzF(f *testing.F) { f.Add(1); f.Fuzz(nil) }\n")
	if got := seedless(added, nil); len(got) > 0 {
		t.Errorf("a fuzz target with a seed was refused: %q", got)
	}
}

// skipping lists calls that end a test early and leave it green.
func skipping(f sourceFile) (complaints []string) {
	ast.Inspect(f.ast, func(n ast.Node) bool {
		selector, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		x, _ := selector.X.(*ast.Ident)
		skips := slices.Contains([]string{"Skip", "Skipf", "SkipNow"}, selector.Sel.Name) && x != nil &&
			slices.Contains([]string{"t", "b", "f", "tb"}, x.Name)
		if skips {
			complaints = append(complaints, fmt.Sprintf("line %d may skip: a test that cannot run must fail, or wait behind a build tag",
				f.lineOf(selector)))
		}
		return true
	})
	return complaints
}

// guessingPrivilege lists tests that ask for the user's id to return early: what needs root waits behind a build tag.
func guessingPrivilege(f sourceFile) []string {
	if hasBuildTag(f) {
		return nil
	}
	return returningIf(f, asksWho, "as who runs the test decides")
}

// cutShort lists tests that return early where a short run is asked for. They may try fewer places there, but not none.
func cutShort(f sourceFile) []string {
	return returningIf(f, asksForShort, "as a short run decides")
}

// returningIf lists branches on such a condition that return.
func returningIf(f sourceFile, asks func(ast.Node) bool, why string) (complaints []string) {
	ast.Inspect(f.ast, func(n ast.Node) bool {
		branch, ok := n.(*ast.IfStmt)
		if ok && holds(branch.Cond, asks) && holds(branch.Body, returns) {
			complaints = append(complaints, fmt.Sprintf("line %d returns early, %s", f.lineOf(branch), why))
		}
		return true
	})
	return complaints
}

func asksForShort(n ast.Node) bool {
	e, ok := n.(ast.Expr)
	return ok && isSelector(e, "testing", "Short")
}

func asksWho(n ast.Node) bool {
	e, ok := n.(ast.Expr)
	return ok && (isSelector(e, "os", "Geteuid") || isSelector(e, "os", "Getuid"))
}

func returns(n ast.Node) bool {
	_, ok := n.(*ast.ReturnStmt)
	return ok
}

// holds tells whether any node of a tree is such a one.
func holds(tree ast.Node, such func(ast.Node) bool) (found bool) {
	ast.Inspect(tree, func(n ast.Node) bool {
		found = found || n != nil && such(n)
		return !found
	})
	return found
}

func hasBuildTag(f sourceFile) bool {
	for _, group := range f.ast.Comments {
		for _, comment := range group.List {
			if constraint.IsGoBuild(comment.Text) {
				return true
			}
		}
	}
	return false
}

// seedless lists fuzz targets that start from nothing. seeded names targets with a seed folder, and functions that add
// seeds for the targets that call them.
func seedless(f sourceFile, seeded []string) (complaints []string) {
	for _, declaration := range f.ast.Decls {
		d, ok := declaration.(*ast.FuncDecl)
		if !ok || !strings.HasPrefix(d.Name.Name, "Fuzz") || d.Recv != nil || slices.Contains(seeded, d.Name.Name) {
			continue
		}
		callsSeeder := func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return false
			}
			called, ok := call.Fun.(*ast.Ident)
			return ok && slices.Contains(seeded, called.Name)
		}
		if !holds(d, addsSeed) && !holds(d, callsSeeder) {
			complaints = append(complaints, d.Name.Name+" has no seed: neither f.Add nor a file in testdata/fuzz")
		}
	}
	return complaints
}

// seeders names the functions of a folder's tests that add seeds and are no fuzz targets themselves.
func seeders(files []sourceFile, folder string) (names []string) {
	for _, f := range files {
		if !f.isTest() || path.Dir(f.path) != folder {
			continue
		}
		for _, declaration := range f.ast.Decls {
			d, ok := declaration.(*ast.FuncDecl)
			if ok && !strings.HasPrefix(d.Name.Name, "Fuzz") && holds(d, addsSeed) {
				names = append(names, d.Name.Name)
			}
		}
	}
	return names
}

func addsSeed(n ast.Node) bool {
	e, ok := n.(ast.Expr)
	return ok && isSelector(e, "f", "Add")
}

// seedsOnDisk names the fuzz targets of a file's package that have at least one seed file.
func seedsOnDisk(file string) (targets []string) {
	folder := filepath.Join(moduleRoot, path.Dir(file), "testdata", "fuzz")
	entries, _ := os.ReadDir(folder) // a package without the folder has no seeds there
	for _, entry := range entries {
		if seeds, err := os.ReadDir(filepath.Join(folder, entry.Name())); err == nil && len(seeds) > 0 {
			targets = append(targets, entry.Name())
		}
	}
	return targets
}
