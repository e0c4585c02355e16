package source

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// A validator is the mark by which a server tells one state of a file from another: a strong entity tag, or a date of last
// change that is strong in the sense of RFC 9110, section 8.8.2.2. Empty: there is none.
type validator struct{ header, value string }

func validatorOf(header http.Header) validator {
	if tag := header.Get("ETag"); tag != "" && !strings.HasPrefix(tag, "W/") {
		return validator{"ETag", tag}
	}
	changed, changedErr := http.ParseTime(header.Get("Last-Modified"))
	sent, sentErr := http.ParseTime(header.Get("Date"))
	// Dates count in seconds: a file that changed within the second in which it was sent may have changed once more.
	if changedErr == nil && sentErr == nil && sent.Sub(changed) >= time.Second {
		return validator{"Last-Modified", header.Get("Last-Modified")}
	}
	return validator{}
}

// resume takes a broken connection up again, or says why that cannot be.
func (r *remote) resume(broken error) error {
	ctx := r.request.Context()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	switch {
	case errors.Is(broken, io.EOF), errors.Is(broken, io.ErrUnexpectedEOF):
		broken = fmt.Errorf("%w: the connection ended after %d bytes", ErrTruncated, r.given)
	case !errors.Is(broken, ErrStalled):
		broken = fmt.Errorf("the connection broke after %d bytes: %w", r.given, broken)
	}
	if r.mark.value == "" {
		return fmt.Errorf("cannot be taken up again, the server marks no version of the file: %w", broken)
	}
	if r.given-r.resumedAt >= progressBytes {
		r.attempts = 0
	}
	r.resumedAt = r.given
	for r.attempts < maxAttempts {
		pause := firstPause << r.attempts
		r.attempts++
		if err := wait(ctx, pause); err != nil {
			return err
		}
		again, err := r.ask()
		if !again {
			return err
		}
		broken = err
	}
	return fmt.Errorf("given up after %d attempts: %w", maxAttempts, broken)
}

// ask requests the rest of the file. again says that the failure may pass.
func (r *remote) ask() (again bool, err error) {
	_ = r.hangUp() // what it held is lost anyway
	request := r.request.Clone(r.request.Context())
	request.Header.Set("Range", fmt.Sprintf("bytes=%d-", r.given))
	request.Header.Set("If-Range", r.mark.value)
	response, err := r.get(request)
	switch {
	case errors.Is(err, ErrStatus), errors.Is(err, ErrClosed):
		return false, err
	case err != nil:
		return true, err
	case response.StatusCode >= http.StatusInternalServerError, response.StatusCode == http.StatusTooManyRequests:
		return true, fmt.Errorf("%w: it answers %s", ErrStatus, response.Status)
	case response.StatusCode != http.StatusPartialContent:
		return false, fmt.Errorf("%w: asked for the rest, the server answers %s", ErrChanged, response.Status)
	}
	if mark := response.Header.Get(r.mark.header); mark != "" && mark != r.mark.value {
		return false, fmt.Errorf("%w: %s was %s and is %s", ErrChanged, r.mark.header, r.mark.value, mark)
	}
	return false, r.checkRange(response.Header.Get("Content-Range"))
}

// checkRange wants the answer to be just the missing bytes: "bytes first-last/size". The size may be "*".
func (r *remote) checkRange(contentRange string) error {
	var first, last, size int64
	wrong := fmt.Errorf("%w: the server gives %q for the rest from byte %d of %d", ErrChanged, contentRange, r.given, r.sizeBytes)
	_, err := fmt.Sscanf(contentRange, "bytes %d-%d/%d", &first, &last, &size)
	if err != nil {
		if _, err := fmt.Sscanf(contentRange, "bytes %d-%d/*", &first, &last); err != nil {
			return wrong
		}
		size = last + 1
	}
	if first != r.given || last != size-1 || r.sizeBytes >= 0 && size != r.sizeBytes {
		return wrong
	}
	return nil
}

// wait pauses unless the caller gives up first.
func wait(ctx context.Context, pause time.Duration) error {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
