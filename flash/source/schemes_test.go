package source_test

import (
	"errors"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/flash/source"
)

// A server must not make the program read a file of its own machine. The client given here could: its transport knows file
// addresses.
func TestRedirectLeadsToNoFile(t *testing.T) {
	secret := writeFile(t, "secret.img", diskOf(2048))
	able := &http.Transport{}
	able.RegisterProtocol("file", http.NewFileTransport(http.Dir("/")))
	client := &http.Client{Transport: able}
	if response, err := client.Get("file://" + secret); err != nil || response.StatusCode != http.StatusOK {
		t.Fatalf("the transport cannot read the file, so nothing would be shown: %v", err)
	}
	for _, to := range []string{
		"file://" + secret, "FILE://" + secret, "file://localhost" + secret, "ftp://localhost/x.img", "data:,x", "unix:/run/x",
		"gopher://localhost/x", "://x",
	} {
		for _, code := range []int{http.StatusMovedPermanently, http.StatusFound, http.StatusTemporaryRedirect} {
			url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Location", to)
				w.WriteHeader(code)
			})
			image, err := source.Open(t.Context(), url+"/board.img", source.Options{HTTPClient: client})
			if err == nil {
				t.Errorf("%d to %s: it was followed, and gave %v", code, to, image.Close())
			} else if to != "://x" && !errors.Is(err, source.ErrStatus) {
				t.Errorf("%d to %s: %v", code, to, err)
			}
		}
	}
}

// Any name that is no http or https address is a path, and no file has such a one here.
func TestOtherSchemesAreNoAddresses(t *testing.T) {
	secret := writeFile(t, "secret.img", diskOf(2048))
	for _, name := range []string{
		"file://" + secret, "FILE://" + secret, "ftp://localhost/x", "HTTP://localhost/x", "data:,x", "http:x",
	} {
		if _, err := source.Open(t.Context(), name, source.Options{}); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What a server calls the file is not even looked at, and the end of an address is a word for the report and no more.
func TestServerNamesNoPath(t *testing.T) {
	folder := t.TempDir()
	t.Chdir(folder)
	content := diskOf(2048)
	url := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		planted := filepath.Join(folder, "planted")
		w.Header().Set("Content-Disposition", `attachment; filename="`+planted+`"; filename*=UTF-8''..%2F..%2Fplanted`)
		w.Header().Set("Content-Location", "file://"+planted)
		w.Write(content)
	})
	for path, name := range map[string]string{
		"/board.img": "board.img", "/..%2F..%2Fplanted": "planted", "/%2Fetc%2Fplanted": "planted",
		"/planted%00.img": "planted\x00.img",
		"/..":             "..", "/%2e%2e%2f": "..", "/": "",
	} {
		decoded, facts, err := decode(t, url+path, source.Options{})
		if err != nil || string(decoded) != string(content) || facts.Name != name || strings.Contains(facts.Name, "/") {
			t.Errorf("%s: %+v, %v", path, facts, err)
		}
	}
	if left, err := os.ReadDir(folder); err != nil || len(left) > 0 {
		t.Errorf("%v, %v", left, err)
	}
}
