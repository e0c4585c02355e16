package logbook_test

import (
	"errors"
	"testing"

	"cardwright/internal/logbook"
)

// The expected places follow the XDG Base Directory Specification 0.8: $HOME/.local/share where XDG_DATA_HOME is unset or
// empty, and a relative path in it is ignored.
func TestDefaultPath(t *testing.T) {
	const root = "/var/lib/cardwright/logbook.db"
	cases := []struct {
		name      string
		euid      int
		xdg, home string
		want      string
	}{
		{"root", 0, "", "/root", root},
		{"root follows no variable", 0, "/home/u/.local/share", "/home/u", root},
		{"a user", 1000, "", "/home/u", "/home/u/.local/share/cardwright/logbook.db"},
		{"a user with another place", 1000, "/data/u", "/home/u", "/data/u/cardwright/logbook.db"},
		{"a relative place is ignored", 1000, "data", "/home/u", "/home/u/.local/share/cardwright/logbook.db"},
		{"no home", 1000, "", "", ""},
		{"a relative home", 1000, "", "u", ""},
	}
	for _, c := range cases {
		env := func(name string) string { return map[string]string{"XDG_DATA_HOME": c.xdg, "HOME": c.home}[name] }
		got, err := logbook.DefaultPath(c.euid, env)
		if got != c.want || (c.want == "") != errors.Is(err, logbook.ErrNoHome) {
			t.Errorf("%s: %q, %v", c.name, got, err)
		}
	}
}

func TestReadingPathFallsBackToRoot(t *testing.T) {
	const own = "/home/u/.local/share/cardwright/logbook.db"
	cases := []struct {
		name   string
		euid   int
		home   string
		exist  []string
		want   string
		failed bool
	}{
		{"both exist", 1000, "/home/u", []string{own, logbook.RootPath}, own, false},
		{"only the own one", 1000, "/home/u", []string{own}, own, false},
		{"only root's", 1000, "/home/u", []string{logbook.RootPath}, logbook.RootPath, false},
		{"none", 1000, "/home/u", nil, own, false},
		{"root", 0, "/root", nil, logbook.RootPath, false},
		{"no home, root's exists", 1000, "", []string{logbook.RootPath}, logbook.RootPath, false},
		{"no home, none", 1000, "", nil, "", true},
	}
	for _, c := range cases {
		env := func(name string) string { return map[string]string{"HOME": c.home}[name] }
		exists := func(path string) bool {
			for _, there := range c.exist {
				if path == there {
					return true
				}
			}
			return false
		}
		got, err := logbook.ReadingPath(c.euid, env, exists)
		if got != c.want || (err != nil) != c.failed {
			t.Errorf("%s: %q, %v", c.name, got, err)
		}
	}
}
