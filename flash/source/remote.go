package source

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"sync"
	"time"
)

const (
	// idleLimit ends a connection on which no byte came for so long.
	idleLimit = 60 * time.Second
	// maxAttempts is how often in a row a broken connection is taken up again without real progress.
	maxAttempts = 4
	// progressBytes is what must have come since the last break for that count to start anew. A server that gives a byte
	// per connection would hold on for ever otherwise.
	progressBytes = 1 << 20
	// firstPause is the wait before the first new attempt; it doubles each time.
	firstPause   = time.Second
	maxRedirects = 10
)

// A remote reads a file from a web server. A connection that breaks is taken up again where it broke, if the server gave a
// mark by which it can tell that the file is still the same.
type remote struct {
	client    *http.Client
	request   *http.Request // carries the caller's context
	mark      validator
	sizeBytes int64 // -1 when the server does not tell
	given     int64
	attempts  int
	resumedAt int64

	mu     sync.Mutex // guards the connection, which Close may end while another goroutine reads
	body   io.ReadCloser
	stop   context.CancelCauseFunc // ends the connection that body belongs to
	closed bool
}

// fetch asks for a URL. Anything but status 200 is ErrStatus.
func fetch(ctx context.Context, address string, options Options) (*origin, error) {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	// Without this header the client would ask for gzip and unpack it on the way, and no digest or length would fit.
	request.Header.Set("Accept-Encoding", "identity")
	r := &remote{client: webClient(options.HTTPClient), request: request}
	response, err := r.get(request)
	if err != nil {
		return nil, err
	}
	if response.StatusCode != http.StatusOK {
		return nil, errors.Join(fmt.Errorf("%w: it answers %s", ErrStatus, response.Status), r.Close())
	}
	r.sizeBytes, r.mark = response.ContentLength, validatorOf(response.Header)
	return &origin{
		name: baseName(request.URL.Path), stream: r, sizeBytes: r.sizeBytes, published: options.Expected,
		endless: r.sizeBytes < 0 && len(response.TransferEncoding) == 0 && response.ProtoMajor < 2,
		close:   r.Close,
	}, nil
}

// webClient bounds redirects and refuses those from https to http, and to whatever is no web address: a server must not
// choose a file of this machine, even where the transport could read one.
func webClient(given *http.Client) *http.Client {
	client := http.Client{Transport: http.DefaultTransport}
	if given != nil {
		client = *given
	}
	if client.CheckRedirect == nil {
		client.CheckRedirect = func(next *http.Request, via []*http.Request) error {
			if len(via) >= maxRedirects {
				return fmt.Errorf("%w: more than %d redirects", ErrStatus, maxRedirects)
			}
			from, to := via[0].URL.Scheme, next.URL.Scheme
			if to != "https" && (to != "http" || from == "https") {
				return fmt.Errorf("%w: it redirects from %s to %s", ErrStatus, from, to)
			}
			return nil
		}
	}
	return &client
}

// get sends a request and keeps its body. The answer must begin within the idle limit.
func (r *remote) get(request *http.Request) (*http.Response, error) {
	ctx, cancel := context.WithCancelCause(request.Context())
	timer := time.AfterFunc(idleLimit, func() { cancel(ErrStalled) })
	response, err := r.client.Do(request.Clone(ctx))
	timer.Stop()
	if err != nil {
		err = causeOf(ctx, err)
		cancel(nil)
		return nil, err
	}
	return response, r.connected(response.Body, cancel)
}

// connected keeps a connection, unless nobody reads from it any more.
func (r *remote) connected(body io.ReadCloser, stop context.CancelCauseFunc) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		stop(ErrClosed)
		return errors.Join(ErrClosed, body.Close())
	}
	r.body, r.stop = body, stop
	return nil
}

// connection is the one that is read from.
func (r *remote) connection() (body io.ReadCloser, stop context.CancelCauseFunc) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.body, r.stop
}

// causeOf puts why a connection was ended in the place of the plain "canceled" that the client reports then: that would look
// as if the caller had given up.
func causeOf(ctx context.Context, err error) error {
	cause := context.Cause(ctx)
	if cause == nil || errors.Is(err, cause) {
		return err
	}
	if asked, ok := errors.AsType[*url.Error](err); ok { // it tells the address
		asked.Err = cause
		return asked
	}
	return cause
}

func (r *remote) Read(p []byte) (int, error) {
	for {
		n, err := r.readIdle(p)
		r.given += int64(n)
		if n > 0 || err == nil {
			return n, nil // an error comes again with the next read
		}
		if errors.Is(err, io.EOF) && (r.sizeBytes < 0 || r.given >= r.sizeBytes) {
			return 0, io.EOF
		}
		if err := r.resume(err); err != nil {
			return 0, err
		}
	}
}

// readIdle reads from the connection, and ends it when nothing comes for too long. The clock stands while the caller is
// busy elsewhere: a slow card is no fault of the server.
func (r *remote) readIdle(p []byte) (int, error) {
	stalled := make(chan struct{})
	body, stop := r.connection()
	timer := time.AfterFunc(idleLimit, func() {
		stop(ErrStalled)
		close(stalled)
	})
	n, err := body.Read(p)
	if !timer.Stop() {
		<-stalled
		if err != nil && !errors.Is(err, io.EOF) {
			err = ErrStalled // whatever the client says of a connection that was ended here
		}
	}
	return n, err
}

// Close ends the connection, for good.
func (r *remote) Close() error {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	return r.hangUp()
}

func (r *remote) hangUp() error {
	body, stop := r.connection()
	stop(nil)
	return body.Close()
}
