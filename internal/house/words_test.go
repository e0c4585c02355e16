package house_test

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

// An unwanted word is one that no text of the project should hold.
type unwanted struct {
	pattern *regexp.Regexp
	why     string
}

// unwantedWords is short on purpose: it holds only what crept in unseen would mislead a reader or fail elsewhere.
func unwantedWords() []unwanted {
	return []unwanted{
		{
			regexp.MustCompile(`(?i)(^|[\s"'=(:])/(root|Users)/`),
			"a path of one machine: elsewhere it leads nowhere",
		},
		{
			regexp.MustCompile(`(?i)\b(to` + `do|fix` + `me)\b`),
			"a promise that nobody keeps: do it, or write it down where work is planned",
		},
	}
}

// TestTextsSpeakForThemselves looks through every text file of the module.
func TestTextsSpeakForThemselves(t *testing.T) {
	words := unwantedWords()
	eachFile(t, func(path string) {
		if filepath.ToSlash(path) == "internal/house/words_test.go" {
			return // it names them
		}
		text, err := os.ReadFile(filepath.Join(moduleRoot, path))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.IndexByte(text, 0) >= 0 {
			return // no text
		}
		for _, complaint := range unwantedIn(text, words) {
			t.Errorf("%s: %s", path, complaint)
		}
	})
}

// TestUnwantedWordsAreSeen shows each pattern what it must find, and what only looks alike.
func TestUnwantedWordsAreSeen(t *testing.T) {
	for text, wrong := range map[string]bool{
		`root := "/root/x"`:              true,
		"// TODO later":                  true,
		"fixme":                          true,
		"mastodon":                       false,
		"the way home / of rest":         false,
		"https://example.org/home/order": false,
	} {
		if got := unwantedIn([]byte(text), unwantedWords()); (len(got) > 0) != wrong {
			t.Errorf("%q: got %q, wrong is %v", text, got, wrong)
		}
	}
}

func unwantedIn(text []byte, words []unwanted) (complaints []string) {
	for _, word := range words {
		if found := word.pattern.Find(text); found != nil {
			complaints = append(complaints, string(bytes.TrimSpace(found))+" is "+word.why)
		}
	}
	return complaints
}
