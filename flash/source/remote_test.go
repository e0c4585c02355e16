package source_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"cardwright/flash/source"
)

// A flaky server gives one state of a file per connection and cuts each connection after some bytes. It runs without a
// network, so that pauses cost no time in a synctest bubble.
type flaky struct {
	states   [][]byte      // of the file, by connection; the last one stays
	headers  []http.Header // by connection; the last one stays
	cut      []int         // bytes until a connection breaks; the last one stays; negative: never
	stall    bool          // a cut connection goes silent instead
	statuses map[int]int   // by connection, instead of the file
	asked    []http.Header
}

func (f *flaky) RoundTrip(request *http.Request) (*http.Response, error) {
	connection := len(f.asked)
	f.asked = append(f.asked, request.Header.Clone())
	recorder := httptest.NewRecorder()
	for name, values := range f.headers[min(connection, len(f.headers)-1)] {
		recorder.Header()[name] = values
	}
	if status := f.statuses[connection]; status != 0 {
		recorder.WriteHeader(status)
	} else {
		changed, _ := http.ParseTime(recorder.Header().Get("Last-Modified"))
		http.ServeContent(recorder, request, "file", changed, bytes.NewReader(f.states[min(connection, len(f.states)-1)]))
	}
	response := recorder.Result()
	response.ContentLength = int64(recorder.Body.Len())
	response.Request = request
	if cut := f.cut[min(connection, len(f.cut)-1)]; cut >= 0 && cut < recorder.Body.Len() {
		response.Body = &cutBody{ctx: request.Context(), left: recorder.Body.Bytes()[:cut], stall: f.stall}
	}
	return response, nil
}

type cutBody struct {
	ctx   context.Context
	left  []byte
	stall bool
}

func (c *cutBody) Read(p []byte) (int, error) {
	if len(c.left) == 0 {
		if c.stall {
			<-c.ctx.Done()
			return 0, c.ctx.Err()
		}
		return 0, io.ErrUnexpectedEOF
	}
	n := copy(p, c.left)
	c.left = c.left[n:]
	return n, nil
}

func (*cutBody) Close() error { return nil }

const address = "http://files.example/images/board.img"

func (f *flaky) decode(t *testing.T) ([]byte, source.Facts, error) {
	t.Helper()
	return decode(t, address, source.Options{HTTPClient: &http.Client{Transport: f}})
}

func tagged(tag string) http.Header { return http.Header{"Etag": {tag}} }

func TestBrokenConnectionIsTakenUpAgain(t *testing.T) {
	content := diskOf(1 << 20)
	for i := 4096; i < len(content); i++ {
		content[i] = byte(i * i >> 7)
	}
	for name, marks := range map[string]http.Header{
		"entity tag": tagged(`"a"`),
		"date":       {"Last-Modified": {"Thu, 01 Jan 2026 00:00:00 GMT"}, "Date": {"Fri, 02 Jan 2026 00:00:00 GMT"}},
	} {
		for _, stall := range []bool{false, true} {
			synctest.Test(t, func(t *testing.T) {
				server := &flaky{states: [][]byte{content}, headers: []http.Header{marks}, cut: []int{300_000, 0, 1, -1}, stall: stall}
				decoded, facts, err := server.decode(t)
				if err != nil || !bytes.Equal(decoded, content) || facts.Name != "board.img" || facts.ImageSHA256 != sumOf(content) {
					t.Fatalf("%s, stall %v: %+v, %v", name, stall, facts, err)
				}
				for i, want := range []string{"", "bytes=300000-", "bytes=300000-", "bytes=300001-"} {
					asked := server.asked[i]
					if asked.Get("Range") != want || (want != "") != (asked.Get("If-Range") != "") || asked.Get("Accept-Encoding") != "identity" {
						t.Errorf("%s, request %d: %v", name, i, asked)
					}
				}
			})
		}
	}
}

func TestConnectionThatCannotBeTakenUpAgain(t *testing.T) {
	content, other := diskOf(1<<20), diskOf(1<<20)
	other[1<<19] = 1
	for _, c := range []struct {
		name   string
		server flaky
		want   error
	}{
		{"no mark", flaky{headers: []http.Header{{}}, cut: []int{1000, -1}}, source.ErrTruncated},
		{"weak mark", flaky{headers: []http.Header{tagged(`W/"a"`)}, cut: []int{1000, -1}}, source.ErrTruncated},
		{"date of the same second", flaky{headers: []http.Header{{
			"Last-Modified": {"Thu, 01 Jan 2026 00:00:00 GMT"}, "Date": {"Thu, 01 Jan 2026 00:00:00 GMT"},
		}}, cut: []int{1000, -1}}, source.ErrTruncated},
		{"another file", flaky{states: [][]byte{content, other}, headers: []http.Header{tagged(`"a"`), tagged(`"b"`)}, cut: []int{1000, -1}}, source.ErrChanged},
		{"another length", flaky{states: [][]byte{content, content[:1<<19]}, headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, -1}}, source.ErrChanged},
		{"gone", flaky{headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, -1}, statuses: map[int]int{1: 404}}, source.ErrChanged},
		{"shorter than what came", flaky{states: [][]byte{content, content[:500]}, headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, -1}}, source.ErrChanged},
		{"no progress", flaky{headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, 0}}, source.ErrTruncated},
		{"a byte each time", flaky{headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, 1}}, source.ErrTruncated},
		{"silence", flaky{headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, 0}, stall: true}, source.ErrStalled},
		{"silence, no mark", flaky{headers: []http.Header{{}}, cut: []int{1000}, stall: true}, source.ErrStalled},
		{"busy for ever", flaky{headers: []http.Header{tagged(`"a"`)}, cut: []int{1000}, statuses: map[int]int{1: 503, 2: 503, 3: 503, 4: 503}}, source.ErrStatus},
	} {
		synctest.Test(t, func(t *testing.T) {
			if c.server.states == nil {
				c.server.states = [][]byte{content}
			}
			start := time.Now()
			if _, _, err := c.server.decode(t); !errors.Is(err, c.want) {
				t.Errorf("%s: %v, want %v", c.name, err, c.want)
			}
			if took := time.Since(start); took > 6*time.Minute {
				t.Errorf("%s: took %v", c.name, took)
			}
		})
	}
}

func TestBusyServerIsAskedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		content := diskOf(1 << 20)
		server := &flaky{states: [][]byte{content}, headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, -1}, statuses: map[int]int{1: 503, 2: 429}}
		if decoded, _, err := server.decode(t); err != nil || !bytes.Equal(decoded, content) {
			t.Error(err)
		}
	})
}

func TestCancelEndsThePause(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 1500*time.Millisecond)
		defer cancel()
		server := &flaky{states: [][]byte{diskOf(1 << 20)}, headers: []http.Header{tagged(`"a"`)}, cut: []int{1000, 0}}
		image, err := source.Open(ctx, address, source.Options{HTTPClient: &http.Client{Transport: server}})
		if err == nil {
			_, err = io.ReadAll(image)
			image.Close()
		}
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Error(err)
		}
	})
}

func serve(t *testing.T, handler http.HandlerFunc) string {
	t.Helper()
	server := httptest.NewServer(handler)
	t.Cleanup(server.Close)
	return server.URL
}

func TestServedFilesDecode(t *testing.T) {
	url := serve(t, http.StripPrefix("/moved/again", http.FileServer(http.Dir("testdata"))).ServeHTTP)
	redirecting := serve(t, func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, url+"/moved/again"+r.URL.Path, http.StatusFound)
	})
	for _, f := range fixtures {
		_, facts, err := decode(t, redirecting+"/"+f.name, source.Options{})
		if err != nil || facts.ImageSHA256 != f.digest || facts.Name != f.name {
			t.Errorf("%s: %+v, %v", f.name, facts, err)
		}
	}
}

func TestServersThatDoNotGiveTheFile(t *testing.T) {
	for _, c := range []struct {
		name    string
		handler http.HandlerFunc
		want    error
	}{
		{"not found", http.NotFound, source.ErrStatus},
		{"no content", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }, source.ErrStatus},
		{"part of it unasked", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusPartialContent) }, source.ErrStatus},
		{"redirect loop", func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/again", http.StatusFound) }, source.ErrStatus},
		{"web page", func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "<html>please log in</html>") }, source.ErrUnknownFormat},
		{"nothing", func(http.ResponseWriter, *http.Request) {}, source.ErrEmpty},
		{"too short", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Length", "4096")
			w.Write(diskOf(2048))
			http.NewResponseController(w).Flush()
			panic(http.ErrAbortHandler)
		}, source.ErrTruncated},
		{"end without length", func(w http.ResponseWriter, _ *http.Request) {
			connection, _, err := http.NewResponseController(w).Hijack()
			if err == nil {
				io.WriteString(connection, "HTTP/1.0 200 OK\r\n\r\n"+string(diskOf(2048)))
				connection.Close()
			}
		}, source.ErrTruncated},
	} {
		if _, _, err := decode(t, serve(t, c.handler)+"/board.img", source.Options{}); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

// A transport that gives more than was announced must not pass either.
func TestMoreThanAnnouncedIsAnError(t *testing.T) {
	client := &http.Client{Transport: transport(func(request *http.Request) (*http.Response, error) {
		return &http.Response{
			StatusCode: http.StatusOK, ContentLength: 2048, Header: http.Header{}, Request: request,
			Body: io.NopCloser(bytes.NewReader(diskOf(4096))),
		}, nil
	})}
	if _, _, err := decode(t, address, source.Options{HTTPClient: client}); !errors.Is(err, source.ErrChanged) {
		t.Error(err)
	}
}

func TestRedirectAwayFromHTTPSIsRefused(t *testing.T) {
	client := &http.Client{Transport: transport(func(request *http.Request) (*http.Response, error) {
		return &http.Response{
			StatusCode: http.StatusFound, Header: http.Header{"Location": {"http://files.example/"}}, Request: request,
			Body: io.NopCloser(strings.NewReader("")),
		}, nil
	})}
	if _, _, err := decode(t, "https://files.example/", source.Options{HTTPClient: client}); !errors.Is(err, source.ErrStatus) {
		t.Error(err)
	}
}

type transport func(*http.Request) (*http.Response, error)

func (f transport) RoundTrip(request *http.Request) (*http.Response, error) { return f(request) }
