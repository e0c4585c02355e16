package house_test

import (
	"go/ast"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestPromisesNameTheirTests holds the page of promises against the code: every test that it names is there, and every
// promise names one.
func TestPromisesNameTheirTests(t *testing.T) {
	page, err := os.ReadFile(filepath.Join(moduleRoot, "docs", "reliability.md"))
	if err != nil {
		t.Fatal(err)
	}
	tests := map[string]bool{}
	for _, f := range sourceFiles(t) {
		for _, declaration := range f.ast.Decls {
			if d, ok := declaration.(*ast.FuncDecl); ok && f.isTest() {
				tests[d.Name.Name] = true
			}
		}
	}
	named := regexp.MustCompile("`(Test[A-Za-z]+)`")
	sections := strings.Split(string(page), "\n## ")[1:]
	if len(sections) < 9 {
		t.Errorf("the page has only %d sections", len(sections))
	}
	for _, section := range sections {
		title, text, _ := strings.Cut(section, "\n")
		found := named.FindAllStringSubmatch(text, -1)
		for _, name := range found {
			if !tests[name[1]] {
				t.Errorf("%s: there is no %s", title, name[1])
			}
		}
		if promises := title != "What it is tested on" && title != "Known limits"; promises && len(found) == 0 {
			t.Errorf("%s: no test is named", title)
		}
	}
}
