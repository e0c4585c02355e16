package store_test

import (
	"errors"
	"testing"

	"cardwright/internal/store"
)

// The places are those of the XDG Base Directory Specification 0.8: XDG_CACHE_HOME, else $HOME/.cache; a relative path is
// ignored. That of root is where the Filesystem Hierarchy Standard 3.0 (5.5) has caches.
func TestDefaultDirFollowsTheUser(t *testing.T) {
	for _, c := range []struct {
		euid             int
		cache, home, dir string
		err              error
	}{
		{0, "/elsewhere", "/home/ada", "/var/cache/cardwright", nil},
		{1000, "/elsewhere", "/home/ada", "/elsewhere/cardwright", nil},
		{1000, "relative", "/home/ada", "/home/ada/.cache/cardwright", nil},
		{1000, "", "/home/ada", "/home/ada/.cache/cardwright", nil},
		{1000, "", "", "", store.ErrNoHome},
	} {
		env := map[string]string{"XDG_CACHE_HOME": c.cache, "HOME": c.home}
		got, err := store.DefaultDir(c.euid, func(name string) string { return env[name] })
		if got != c.dir || !errors.Is(err, c.err) {
			t.Errorf("%+v: %s, %v", c, got, err)
		}
	}
}
