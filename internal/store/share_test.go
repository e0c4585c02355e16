package store_test

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash/source"
	"cardwright/internal/store"
)

// Two programs that prepare the same image at once both succeed, and one entry stays.
func TestTwoAtOnceBothSucceedAndOneEntryStays(t *testing.T) {
	image := small()
	name, dir := written(t, "board.img", image), filepath.Join(t.TempDir(), "store")
	const programs = 3
	var meeting, working sync.WaitGroup
	meeting.Add(programs)
	for range programs {
		s := open(t, dir, store.Options{}) // each has a lock of its own, as if it were a program of its own
		s.Before(func(call string) error {
			if call == "sync image.raw" { // all of them have the whole image
				meeting.Done()
				meeting.Wait()
			}
			return nil
		})
		working.Go(func() {
			p, err := s.Prepare(t.Context(), name, source.Options{}, nil)
			if err != nil {
				t.Error(err)
				return
			}
			defer mustClose(t, p)
			if got, err := content(t, p); err != nil || !bytes.Equal(got, image) {
				t.Errorf("other bytes, or %v", err)
			}
		})
	}
	working.Wait()
	expectOnly(t, dir, image)
}

// What a live program writes is no leftover to another that opens the store.
func TestOpeningAStoreSparesWhatIsBeingPrepared(t *testing.T) {
	image := small()
	dir := filepath.Join(t.TempDir(), "store")
	s := open(t, dir, store.Options{})
	s.Before(func(call string) error {
		if call == "sync image.raw" {
			other := open(t, dir, store.Options{})
			if all := entries(t, other); len(all) > 0 {
				t.Errorf("an entry that is not proven is listed: %+v", all)
			}
		}
		return nil
	})
	if got, err := content(t, prepare(t, s, written(t, "board.img", image), source.Options{})); err != nil || !bytes.Equal(got, image) {
		t.Errorf("other bytes, or %v", err)
	}
}

// A program that keeps the store locked is waited for, but not for ever; an interrupt ends the wait.
func TestLockedStoreIsNotWaitedForForEver(t *testing.T) {
	name, dir := written(t, "board.img", small()), filepath.Join(t.TempDir(), "store")
	mustClose(t, prepare(t, open(t, dir, store.Options{}), name, source.Options{}))
	lock, err := os.Open(filepath.Join(dir, "lock"))
	if err != nil {
		t.Fatal(err)
	}
	defer mustClose(t, lock)
	if err := unix.Flock(int(lock.Fd()), unix.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		s := open(t, dir, store.Options{})
		began := time.Now()
		if _, err := s.Find(t.Context(), name, source.Options{}); !errors.Is(err, store.ErrLocked) || time.Since(began) != 30*time.Second {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
		ctx, cancel := context.WithTimeoutCause(t.Context(), time.Second, errors.New("interrupted"))
		defer cancel()
		began = time.Now()
		if _, err := s.Find(ctx, name, source.Options{}); !errors.Is(err, context.Cause(ctx)) || time.Since(began) != time.Second {
			t.Errorf("interrupted after %v: %v", time.Since(began), err)
		}
	})
}

// An entry in use is not removed, also not for the room that it takes; one that nobody uses is.
func TestEntryInUseIsNotRemoved(t *testing.T) {
	image := small()
	dir := filepath.Join(t.TempDir(), "store")
	s, other := open(t, dir, store.Options{}), open(t, dir, store.Options{LimitBytes: 7 << 20})
	p := prepare(t, s, written(t, "board.img", image), source.Options{})
	if all := entries(t, other); len(all) != 1 || !all[0].InUse {
		t.Errorf("it is listed as %+v", all)
	}
	if err := other.Remove(t.Context(), p.Key()); !errors.Is(err, store.ErrInUse) {
		t.Errorf("removing it: %v", err)
	}
	second := written(t, "second.img", board(10)[:6<<20])
	if _, err := other.Prepare(t.Context(), second, source.Options{}, nil); !errors.Is(err, store.ErrNoRoom) {
		t.Errorf("another in its place: %v", err)
	}
	if got, err := content(t, p); err != nil || !bytes.Equal(got, image) {
		t.Errorf("other bytes, or %v", err)
	}
	expectOnly(t, dir, image)
	mustClose(t, p)
	if err := other.Remove(t.Context(), p.Key()); err != nil {
		t.Error(err)
	}
	if err := other.Remove(t.Context(), p.Key()); !errors.Is(err, store.ErrNotPrepared) {
		t.Errorf("removing it twice: %v", err)
	}
	expectOnly(t, dir)
}

// For a new entry those go that were used least lately, no more than it takes, and none where it cannot fit anyway.
func TestWhatWasUsedLeastLatelyGoesFirst(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	clock := later()
	tick := func() time.Time {
		clock = clock.Add(time.Minute)
		return clock
	}
	s := open(t, dir, store.Options{LimitBytes: 20 << 20, Now: tick})
	images := map[string][]byte{}
	add := func(name string, seed byte, lengthBytes int) error {
		images[name] = bytes.Repeat([]byte{seed}, lengthBytes) // no zeros
		copy(images[name], board(seed)[:512])
		p, err := s.Prepare(t.Context(), written(t, name, images[name]), source.Options{}, nil)
		if err != nil {
			return err
		}
		return p.Close()
	}
	for i, name := range []string{"a", "b", "c"} {
		if err := add(name, byte(20+i), 6<<20); err != nil {
			t.Fatal(err)
		}
	}
	if p, err := s.Find(t.Context(), written(t, "copy", images["a"]), source.Options{}); err != nil {
		t.Fatal(err)
	} else {
		mustClose(t, p)
	}
	if err := add("too large", 30, 21<<20); !errors.Is(err, store.ErrNoRoom) {
		t.Errorf("more than the limit: %v", err)
	}
	expectOnly(t, dir, images["a"], images["b"], images["c"])
	if err := add("d", 31, 7<<20); err != nil {
		t.Fatal(err)
	}
	expectOnly(t, dir, images["a"], images["c"], images["d"])
	if err := add("e", 32, 12<<20); err != nil {
		t.Fatal(err)
	}
	expectOnly(t, dir, images["d"], images["e"])
}

// gaveUp is a context that has ended: a digest is not computed under it, and looks are told all the same.
func gaveUp(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	return ctx
}

// A file is known again by its looks without being read; one that looks otherwise by its digest, and then by its looks.
func TestFileIsKnownByItsLooksElseByItsDigest(t *testing.T) {
	image := small()
	name, dir := written(t, "board.img", image), filepath.Join(t.TempDir(), "store")
	s := open(t, dir, store.Options{})
	mustClose(t, prepare(t, s, name, source.Options{}))
	found := func(name string) error {
		p, err := s.Find(gaveUp(t), name, source.Options{})
		if err == nil {
			mustClose(t, p)
		}
		return err
	}
	if err := found(name); err != nil {
		t.Errorf("it is not known by its looks: %v", err)
	}
	other := written(t, "copy.img", image)
	touched := time.Now().Add(-24 * time.Hour)
	for _, c := range []struct {
		what, path string
		change     func() error
	}{
		{"a copy", other, func() error { return nil }},
		{"another time", name, func() error { return os.Chtimes(name, touched, touched) }},
		{"another name", other + ".moved", func() error { return os.Rename(other, other+".moved") }},
	} {
		what, path := c.what, c.path
		if err := c.change(); err != nil {
			t.Fatal(err)
		}
		if err := found(path); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: without its digest: %v", what, err)
		}
		p, err := s.Find(t.Context(), path, source.Options{})
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		mustClose(t, p)
		if p.Facts().Name != filepath.Base(path) {
			t.Errorf("%s: the name is %s", what, p.Facts().Name)
		}
		if err := found(path); err != nil {
			t.Errorf("%s: the looks were not learned: %v", what, err)
		}
	}
	changed := bytes.Clone(image)
	changed[4<<20] ^= 1
	if err := os.WriteFile(name, changed, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Find(t.Context(), name, source.Options{}); !errors.Is(err, store.ErrNotPrepared) {
		t.Errorf("another content under the same name: %v", err)
	}
}

// The looks of a file that was changed just now say nothing: a second change could look the same.
func TestLooksOfAFreshFileAreNotTrusted(t *testing.T) {
	image := small()
	name, dir := written(t, "board.img", image), filepath.Join(t.TempDir(), "store")
	now := time.Now()
	s := open(t, dir, store.Options{Now: func() time.Time { return now }})
	mustClose(t, prepare(t, s, name, source.Options{}))
	if _, err := s.Find(gaveUp(t), name, source.Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("the digest was not asked for: %v", err)
	}
}

// A URL is known by the digest that was published of it alone, and is not fetched then; standard input never.
func TestURLIsKnownByItsPublishedDigest(t *testing.T) {
	image := small()
	fetched := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fetched++
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(image))
	}))
	defer server.Close()
	address := strings.Replace(server.URL, "http://", "http://user:secret@", 1) + "/board.img"
	s := open(t, filepath.Join(t.TempDir(), "store"), store.Options{})
	p := prepare(t, s, address, source.Options{})
	if e := p.Entry(); strings.Contains(e.Source, "secret") || !strings.HasSuffix(e.Source, "/board.img") {
		t.Errorf("where it came from is told as %s", e.Source)
	}
	if _, err := s.Find(t.Context(), address, source.Options{}); !errors.Is(err, store.ErrNotPrepared) {
		t.Errorf("without a digest: %v", err)
	}
	digest, err := source.ParseExpected(p.Facts().PackedSHA256)
	if err != nil {
		t.Fatal(err)
	}
	found, err := s.Find(t.Context(), address, source.Options{Expected: digest})
	if err != nil || found.Facts().Expected != source.Matched || found.Facts().Name != "board.img" {
		t.Fatalf("with its digest: %v", err)
	}
	mustClose(t, found)
	if fetched != 1 {
		t.Errorf("it was fetched %d times", fetched)
	}
	if _, err := s.Find(t.Context(), "-", source.Options{Expected: digest}); !errors.Is(err, store.ErrNotPrepared) {
		t.Errorf("standard input: %v", err)
	}
}

// One source gives several images: each member of an archive, and the bytes as they are.
func TestEachImageOfASourceIsAnEntryOfItsOwn(t *testing.T) {
	var archive bytes.Buffer
	writer := zip.NewWriter(&archive)
	images := map[string][]byte{"a.img": board(40)[:1<<20], "b.img": board(41)[:1<<20]}
	for _, member := range []string{"a.img", "b.img"} {
		into, err := writer.Create(member)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := into.Write(images[member]); err != nil {
			t.Fatal(err)
		}
	}
	if err := writer.Close(); err != nil {
		t.Fatal(err)
	}
	name, dir := written(t, "boards.zip", archive.Bytes()), filepath.Join(t.TempDir(), "store")
	s := open(t, dir, store.Options{})
	for _, c := range []struct {
		o    source.Options
		want []byte
	}{
		{source.Options{Member: "a.img"}, images["a.img"]},
		{source.Options{Member: "b.img"}, images["b.img"]},
		{source.Options{Raw: true}, archive.Bytes()},
	} {
		if _, err := s.Find(t.Context(), name, c.o); !errors.Is(err, store.ErrNotPrepared) {
			t.Errorf("%+v: %v", c.o, err)
		}
		mustClose(t, prepare(t, s, name, c.o))
		p, err := s.Find(t.Context(), name, c.o)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := content(t, p); err != nil || !bytes.Equal(got, c.want) {
			t.Errorf("%+v: other bytes, or %v", c.o, err)
		}
		mustClose(t, p)
	}
	if matched, err := s.Match(t.Context(), "boards.zip"); err != nil || len(matched) != 3 {
		t.Errorf("%d entries of that name, %v", len(matched), err)
	}
	expectOnly(t, dir, images["a.img"], images["b.img"], archive.Bytes())
}
