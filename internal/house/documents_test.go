package house_test

import (
	"go/ast"
	"go/token"
	"maps"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// documentsPage promises names to whoever reads the JSON documents.
const documentsPage = "docs/json.md"

// TestPageOfDocumentsNamesWhatThereIs holds the page against the code, both ways: a field or a code that is not on the page
// is promised to nobody, and one that is on the page alone never comes.
func TestPageOfDocumentsNamesWhatThereIs(t *testing.T) {
	page, err := os.ReadFile(filepath.Join(moduleRoot, filepath.FromSlash(documentsPage)))
	if err != nil {
		t.Fatal(err)
	}
	promised := quotedWords(string(page))
	fields, codes, values := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, f := range sourceFiles(t) {
		if f.isTest() || path.Dir(f.path) == "bench" { // whose document is its own affair
			continue
		}
		addFields(fields, f)
		addValues(values, f)
		if folder := path.Dir(f.path); folder == "partition" || folder == "internal/job" || folder == "internal/identity" {
			addCodes(codes, f)
		}
	}
	if len(fields) < 50 || len(codes) < 30 {
		t.Fatalf("only %d fields and %d codes were found in the code", len(fields), len(codes))
	}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		if !promised[name] {
			t.Errorf("the field %s is not on the page", name)
		}
	}
	for _, code := range slices.Sorted(maps.Keys(codes)) {
		if !promised[code] {
			t.Errorf("the code %s is not on the page", code)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(promised)) {
		if !fields[name] && !values[name] && !codes[name] {
			t.Errorf("the page promises %s, which no document holds", name)
		}
	}
}

// quotedWords are the single words in backquotes.
func quotedWords(page string) map[string]bool {
	words := map[string]bool{}
	for _, match := range regexp.MustCompile("`([a-z0-9_][a-z0-9_-]*)`").FindAllStringSubmatch(page, -1) {
		words[match[1]] = true
	}
	return words
}

// addFields adds the names that a file's structs have in JSON.
func addFields(fields map[string]bool, f sourceFile) {
	ast.Inspect(f.ast, func(n ast.Node) bool {
		field, ok := n.(*ast.Field)
		if !ok || field.Tag == nil {
			return true
		}
		tag, _ := literal(field.Tag)
		name, _, _ := strings.Cut(reflect.StructTag(tag).Get("json"), ",")
		if name != "" && name != "-" {
			fields[name] = true
		}
		return true
	})
}

// addValues adds the texts of a file's constants of a type of its own, such as verdicts, and of struct literals, such as kinds
// of file systems.
func addValues(values map[string]bool, f sourceFile) {
	ast.Inspect(f.ast, func(n ast.Node) bool {
		var parts []ast.Expr
		switch at := n.(type) {
		case *ast.ValueSpec:
			parts = at.Values
		case *ast.CompositeLit:
			parts = at.Elts
		}
		for _, part := range parts {
			if pair, ok := part.(*ast.KeyValueExpr); ok {
				part = pair.Value
			}
			if text, ok := literal(part); ok {
				values[text] = true
			}
		}
		return true
	})
}

// addCodes adds the texts that have the form of a finding's code.
func addCodes(codes map[string]bool, f sourceFile) {
	form := regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)+$`)
	ast.Inspect(f.ast, func(n ast.Node) bool {
		if text, ok := literal(n); ok && form.MatchString(text) {
			codes[text] = true
		}
		return true
	})
}

func literal(n ast.Node) (text string, ok bool) {
	basic, ok := n.(*ast.BasicLit)
	if !ok || basic.Kind != token.STRING {
		return "", false
	}
	text, err := strconv.Unquote(basic.Value)
	return text, err == nil
}
