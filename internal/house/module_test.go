// Package house_test holds the code to the rules of this project that no general tool knows: which package may import
// which, what has a comment, how long things grow, how tests may wait. It reads the module's source and nothing else.
//
// Read next: the tables in arrows_test.go, then those in source_test.go, tests_test.go and words_test.go.
package house_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

const (
	modulePath = "cardwright"
	moduleRoot = "../.."
)

// listed is what `go list -json` tells about a package, as far as it is needed here.
type listed struct {
	ImportPath   string
	Imports      []string
	TestImports  []string
	XTestImports []string
}

// name is the package's path within the module.
func (p listed) name() string { return strings.TrimPrefix(p.ImportPath, modulePath+"/") }

// listPackages asks the go command, which every machine that runs this test has.
func listPackages(t *testing.T, tags string) []listed {
	t.Helper()
	command := exec.CommandContext(t.Context(), "go", "list", "-tags", tags,
		"-json=ImportPath,Imports,TestImports,XTestImports", "./...")
	command.Dir = moduleRoot
	var complaint bytes.Buffer
	command.Stderr = &complaint
	out, err := command.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, &complaint)
	}
	var packages []listed
	for decoder := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		err := decoder.Decode(&p)
		if errors.Is(err, io.EOF) {
			return packages
		}
		if err != nil {
			t.Fatal(err)
		}
		packages = append(packages, p)
	}
}

// A sourceFile is one parsed Go file of the module.
type sourceFile struct {
	path  string // from the module's root, with slashes
	set   *token.FileSet
	ast   *ast.File
	lines int
}

func (f sourceFile) isTest() bool { return strings.HasSuffix(f.path, "_test.go") }

// lineOf is where a node begins.
func (f sourceFile) lineOf(n ast.Node) int { return f.set.Position(n.Pos()).Line }

// sourceFiles parses every Go file, whatever its build tags.
func sourceFiles(t *testing.T) []sourceFile {
	t.Helper()
	var files []sourceFile
	eachFile(t, func(path string) {
		if filepath.Ext(path) != ".go" {
			return
		}
		set := token.NewFileSet()
		parsed, err := parser.ParseFile(set, filepath.Join(moduleRoot, path), nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		lines := set.File(parsed.Package).LineCount()
		files = append(files, sourceFile{filepath.ToSlash(path), set, parsed, lines})
	})
	if len(files) == 0 {
		t.Fatal("no source file was found")
	}
	return files
}

// parsedSource makes a sourceFile from text, to show a check what it must refuse.
func parsedSource(t *testing.T, path, text string) sourceFile {
	t.Helper()
	set := token.NewFileSet()
	parsed, err := parser.ParseFile(set, path, text, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	return sourceFile{path, set, parsed, set.File(parsed.Package).LineCount()}
}

// eachFile visits the module's files by their path from its root, but not what git and builds keep there.
func eachFile(t *testing.T, visit func(path string)) {
	t.Helper()
	err := filepath.WalkDir(moduleRoot, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() && (entry.Name() == ".git" || entry.Name() == "bin") {
			return fs.SkipDir
		}
		if entry.Type().IsRegular() {
			relative, err := filepath.Rel(moduleRoot, path)
			if err != nil {
				return err
			}
			visit(relative)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
