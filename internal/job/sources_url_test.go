package job_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"testing/synctest"

	"cardwright/flash/source"
	"cardwright/internal/job"
)

// boardURL is on a server that is reached through pipes in memory alone, so that it lives on a bubble's clock.
const boardURL = "http://files.example/board.img"

// ofURL is an image that a handler serves, which is told how many requests came before. The real client and the real server
// talk, over HTTP/1.1 and over HTTP/2.
func ofURL(name string, want outcome, serve func(w http.ResponseWriter, r *http.Request, before int)) []badSource {
	var rows []badSource
	for _, protocol := range []string{"HTTP/1.1", "HTTP/2"} {
		row := badSource{name: name + ", " + protocol, want: want}
		row.open = func(t *testing.T, do func(*testing.T, job.Image, error)) {
			synctest.Test(t, func(t *testing.T) {
				client := pipeServer(t, protocol == "HTTP/2", serve)
				image, err := source.Open(t.Context(), boardURL, source.Options{HTTPClient: client})
				if err == nil {
					defer image.Close()
				}
				do(t, image, err)
			})
		}
		rows = append(rows, row)
	}
	return rows
}

// pipeServer serves until the test ends, and gives a client that reaches nothing else.
func pipeServer(t *testing.T, second bool, serve func(w http.ResponseWriter, r *http.Request, before int)) *http.Client {
	t.Helper()
	var asked atomic.Int64
	protocols := new(http.Protocols)
	protocols.SetHTTP1(!second)
	protocols.SetUnencryptedHTTP2(second)
	pipes := &pipeListener{dialled: make(chan net.Conn), closed: make(chan struct{})}
	server := &http.Server{Protocols: protocols, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		serve(w, r, int(asked.Add(1)-1))
	})}
	transport := &http.Transport{Protocols: protocols, DialContext: pipes.dial}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(pipes) }() // ends when the server is closed below
	t.Cleanup(func() {
		transport.CloseIdleConnections()
		if err := server.Close(); err != nil {
			t.Error(err)
		}
		if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
	})
	return &http.Client{Transport: transport}
}

// A pipeListener is a network of pipes in memory.
type pipeListener struct {
	dialled chan net.Conn
	closed  chan struct{}
}

func (p *pipeListener) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	near, far := net.Pipe()
	select {
	case p.dialled <- far:
		return near, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (p *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-p.dialled:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}

func (p *pipeListener) Close() error {
	close(p.closed)
	return nil
}

func (p *pipeListener) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "pipe"} }

// A version of a file is what a server holds under a mark.
type version struct {
	content []byte
	tag     string
	changed string
}

// give answers a request for a version, and breaks off after so many bytes of the answer; 0 breaks nothing off.
func (v version) give(w http.ResponseWriter, r *http.Request, afterBytes int) {
	if v.tag != "" {
		w.Header().Set("ETag", v.tag)
	}
	changed, _ := http.ParseTime(v.changed) // empty: none
	if afterBytes > 0 {
		w = &breaking{ResponseWriter: w, leftBytes: afterBytes}
	}
	http.ServeContent(w, r, "board.img", changed, bytes.NewReader(v.content))
}

// A breaking answer ends its connection after so many bytes.
type breaking struct {
	http.ResponseWriter
	leftBytes int
}

func (b *breaking) Write(p []byte) (int, error) {
	n := min(len(p), b.leftBytes)
	_, _ = b.ResponseWriter.Write(p[:n]) // a client that is gone is as good as a connection that ends
	if b.leftBytes -= n; b.leftBytes == 0 {
		_ = http.NewResponseController(b.ResponseWriter).Flush()
		panic(http.ErrAbortHandler)
	}
	return n, nil
}

// stays holds a connection open and sends nothing more, until the client hangs up.
func stays(w http.ResponseWriter, r *http.Request) {
	_ = http.NewResponseController(w).Flush()
	<-r.Context().Done()
}

// urlSources are servers that do not give an image, or not all of it.
func urlSources(image []byte) []badSource {
	var rows []badSource
	add := func(name string, want outcome, serve func(w http.ResponseWriter, r *http.Request, before int)) {
		rows = append(rows, ofURL(name, want, serve)...)
	}
	add("URL of a sound image", intact(), func(w http.ResponseWriter, r *http.Request, _ int) {
		version{content: image}.give(w, r, 0)
	})
	add("URL that is not found", bad(unopened, 0, 0, "does not give the file", "404 Not Found"),
		func(w http.ResponseWriter, r *http.Request, _ int) { http.NotFound(w, r) })
	add("URL of a server that fails", bad(unopened, 0, 0, "does not give the file", "500 Internal Server Error"),
		func(w http.ResponseWriter, _ *http.Request, _ int) { w.WriteHeader(http.StatusInternalServerError) })
	add("URL that redirects in a loop", bad(unopened, 0, 0, "does not give the file", "more than 10 redirects"),
		func(w http.ResponseWriter, r *http.Request, _ int) { http.Redirect(w, r, boardURL, http.StatusFound) })
	add("URL of a web page", bad(unopened, 0, 0, "unknown format"), func(w http.ResponseWriter, _ *http.Request, _ int) {
		_, _ = io.WriteString(w, "<html>Please log in.</html>")
	})
	add("URL of nothing", bad(unopened, 0, 0, "the image is empty"), func(http.ResponseWriter, *http.Request, int) {})
	add("URL that is never answered", bad(unopened, 0, 0, "sent nothing for too long"),
		func(_ http.ResponseWriter, r *http.Request, _ int) { <-r.Context().Done() })
	add("URL that stalls", bad(cleared+blanked, 7*mib, 7*mib, "sent nothing for too long"),
		func(w http.ResponseWriter, r *http.Request, _ int) {
			w.Header().Set("Content-Length", fmt.Sprint(len(image)))
			_, _ = w.Write(image[:7*mib])
			stays(w, r)
		})
	add("URL that stalls in the head", bad(0, 3*mib, 3*mib, "sent nothing for too long"),
		func(w http.ResponseWriter, r *http.Request, _ int) {
			w.Header().Set("Content-Length", fmt.Sprint(len(image)))
			_, _ = w.Write(image[:3*mib])
			stays(w, r)
		})
	add("URL that stalls each time it is taken up again",
		bad(cleared+blanked, 7*mib, 7*mib, "given up after 4 attempts", "sent nothing"),
		func(w http.ResponseWriter, r *http.Request, before int) {
			w.Header().Set("ETag", `"a"`)
			if before > 0 {
				w.Header().Set("Content-Range", "bytes 7340032-10485759/10485760")
				w.WriteHeader(http.StatusPartialContent)
				stays(w, r)
				return
			}
			w.Header().Set("Content-Length", fmt.Sprint(len(image)))
			_, _ = w.Write(image[:7*mib])
			stays(w, r)
		})
	add("URL that breaks off, of a file without a mark",
		bad(cleared+blanked, 7*mib, 7*mib, "cannot be taken up again", "marks no version of the file", "after 7340032 bytes"),
		func(w http.ResponseWriter, r *http.Request, _ int) { version{content: image}.give(w, r, 7*mib) })
	add("URL that breaks off and is taken up again", intact(), func(w http.ResponseWriter, r *http.Request, before int) {
		version{content: image, tag: `"a"`}.give(w, r, []int{7 * mib, 2 * mib, 0}[before])
	})
	add("URL that is gone after it broke off",
		bad(cleared+blanked, 7*mib, 7*mib, "given up after 4 attempts", "503 Service Unavailable"),
		func(w http.ResponseWriter, r *http.Request, before int) {
			if before > 0 {
				w.WriteHeader(http.StatusServiceUnavailable)
				return
			}
			version{content: image, tag: `"a"`}.give(w, r, 7*mib)
		})
	add("URL of an image larger than the card", tooLarge("needs 20971520 bytes"),
		func(w http.ResponseWriter, r *http.Request, _ int) {
			version{content: append(bytes.Clone(image), image...)}.give(w, r, 0)
		})
	return append(rows, sentMore(image), endless(image), untrusted(image), downgraded(), unreachable())
}

// changingSources are servers whose file is another one when the broken connection is taken up again.
func changingSources(image []byte) []badSource {
	other := bytes.Clone(image)
	other[9*mib] ^= 1
	const changed = "changed while it was read"
	const long, later = "Thu, 01 Jan 1998 00:00:00 GMT", "Fri, 02 Jan 1998 00:00:00 GMT" // before a bubble's clock begins
	var rows []badSource
	for _, c := range []struct {
		name  string
		first version
		then  version
		words []string
	}{
		{"tag", version{image, `"a"`, ""}, version{other, `"b"`, ""}, []string{changed, "answers 200"}},
		{"date", version{image, "", long}, version{other, "", later}, []string{changed, "answers 200"}},
		{"length", version{image, `"a"`, ""}, version{image[:9*mib], `"a"`, ""}, []string{changed, "bytes 7340032-9437183/9437184"}},
		{"length, shorter than what came", version{image, `"a"`, ""}, version{image[:5*mib], `"a"`, ""}, []string{changed, "416"}},
	} {
		rows = append(rows, ofURL("URL that changes its "+c.name, bad(cleared+blanked, 7*mib, 7*mib, c.words...),
			func(w http.ResponseWriter, r *http.Request, before int) {
				if before == 0 {
					c.first.give(w, r, 7*mib)
					return
				}
				c.then.give(w, r, 0)
			})...)
	}
	// A server may answer with the rest of another version, although it was asked not to.
	return append(rows, ofURL("URL that gives the rest of another version",
		bad(cleared+blanked, 7*mib, 7*mib, changed, `ETag was "a" and is "b"`),
		func(w http.ResponseWriter, r *http.Request, before int) {
			if before == 0 {
				version{image, `"a"`, ""}.give(w, r, 7*mib)
				return
			}
			r.Header.Del("If-Range")
			version{other, `"b"`, ""}.give(w, r, 0)
		})...)
}

// sentMore is a transport that gives more than it announced. Package http lets no server do so.
func sentMore(image []byte) badSource {
	return badSource{
		name: "URL that sends more than it said",
		want: bad(cleared+blanked, 7*mib, 7*mib, "changed while it was read", "more than the 7340032 bytes"),
		open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
			client := &http.Client{Transport: transport(func(request *http.Request) (*http.Response, error) {
				return &http.Response{
					StatusCode: http.StatusOK, ContentLength: 7 * mib, Header: http.Header{}, Request: request,
					Body: io.NopCloser(bytes.NewReader(image)),
				}, nil
			})}
			opened, err := source.Open(t.Context(), boardURL, source.Options{HTTPClient: client})
			do(t, opened, err)
		},
	}
}

type transport func(*http.Request) (*http.Response, error)

func (f transport) RoundTrip(request *http.Request) (*http.Response, error) { return f(request) }

// endless is an answer of HTTP/1.0 that states no length, so that its end and a broken connection look alike.
func endless(image []byte) badSource {
	return badSource{
		name: "URL of no stated length",
		want: bad(cleared+block+blanked, boardBytes, boardBytes, "ends too early, perhaps", "tells no length"),
		open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
			server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
				connection, buffered, err := http.NewResponseController(w).Hijack()
				if err != nil {
					t.Error(err)
					return
				}
				defer connection.Close()
				_, _ = buffered.WriteString("HTTP/1.0 200 OK\r\n\r\n")
				_, _ = buffered.Write(image)
				_ = buffered.Flush() // what did not arrive is missed on the card
			}))
			defer server.Close()
			opened, err := source.Open(t.Context(), server.URL+"/board.img", source.Options{})
			if err == nil {
				defer opened.Close()
			}
			do(t, opened, err)
		},
	}
}

// untrusted is a server whose certificate nobody vouches for.
func untrusted(image []byte) badSource {
	return badSource{
		name: "URL of an unknown authority", want: bad(unopened, 0, 0, "certificate", "unknown authority"),
		open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
			server := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				version{content: image}.give(w, r, 0)
			}))
			server.Config.ErrorLog = log.New(io.Discard, "", 0) // it complains of the client that hangs up
			server.StartTLS()
			defer server.Close()
			opened, err := source.Open(t.Context(), server.URL+"/board.img", source.Options{})
			do(t, opened, err)
		},
	}
}

// downgraded is a redirect that would take the protection away.
func downgraded() badSource {
	return badSource{
		name: "URL that redirects from https to http", want: bad(unopened, 0, 0, "does not give the file", "from https to http"),
		open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
			client := &http.Client{Transport: transport(func(request *http.Request) (*http.Response, error) {
				return &http.Response{
					StatusCode: http.StatusFound, Header: http.Header{"Location": {boardURL}}, Request: request,
					Body: io.NopCloser(bytes.NewReader(nil)),
				}, nil
			})}
			opened, err := source.Open(t.Context(), "https://files.example/board.img", source.Options{HTTPClient: client})
			do(t, opened, err)
		},
	}
}

// unreachable is a port that nobody listens on any more.
func unreachable() badSource {
	return badSource{
		name: "URL of no server", want: bad(unopened, 0, 0, "connection refused"),
		open: func(t *testing.T, do func(*testing.T, job.Image, error)) {
			server := httptest.NewServer(http.NotFoundHandler())
			server.Close()
			opened, err := source.Open(t.Context(), server.URL, source.Options{})
			do(t, opened, err)
		},
	}
}
