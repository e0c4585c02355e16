package capacity // the reader of a file that is not seen from outside

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"cardwright/flash"
)

// fullState is a state with something in every field.
func fullState() *state {
	s := &state{
		Seed: "seed", Pass: 7, Card: Mark{"0102", "sdx", 8 << 20}, SizeBytes: 8 << 20, SectorBytes: 512, Phase: reading,
		OffsetBytes: 4 << 20, Seconds: 1.5,
	}
	s.unwritable(5<<20, 6<<20)
	s.Found.sound(0, 512)
	s.Found.bad(Range{512, 512, displaced, 4 << 20})
	s.Found.bad(Range{2048, 1024, Stale, -1})
	s.Write.moved(0, flash.BlockBytes, 3*longCall, s.SizeBytes)
	s.Write.flushed(flash.BlockBytes, 2*longCall)
	s.Read.moved(0, flash.BlockBytes, 1, s.SizeBytes)
	return s
}

func TestStateIsReadAsItWasWritten(t *testing.T) {
	for name, s := range map[string]*state{
		"full":  fullState(),
		"fresh": {Seed: "seed", SizeBytes: 512, SectorBytes: 512, Phase: writing},
	} {
		content, err := s.seal()
		if err != nil {
			t.Fatal(err)
		}
		got, err := unsealState(content)
		if err != nil || !reflect.DeepEqual(got, s) {
			t.Errorf("%s: got %+v and %v; want %+v", name, got, err, s)
		}
		for i := range content {
			changed := bytes.Clone(content)
			changed[i] ^= 4
			// The digest covers the body; its own letters count in lower case alone, and the frame names its fields in any case.
			if got, err := unsealState(changed); err == nil && !reflect.DeepEqual(got, s) {
				t.Errorf("%s: byte %d was changed and nobody saw", name, i)
			}
		}
	}
}

func TestStateFileOfTheLargestStateIsRead(t *testing.T) {
	s := &state{Seed: "seed", SizeBytes: 1 << 50, SectorBytes: 4096, Phase: reading, OffsetBytes: 1 << 49}
	for i := range int64(mostUnwritable) {
		s.unwritable(i<<33, i<<33+4096)
	}
	for i := range int64(MostRanges) {
		s.Found.bad(Range{i << 33, 4096, displaced, i<<33 + 4096})
	}
	for at := int64(0); at < 1<<50; at += 1 << 38 {
		s.Write.moved(at, 1<<22, 1<<40, s.SizeBytes)
		s.Read.moved(at, 1<<22, 1<<40, s.SizeBytes)
	}
	f := stateFile{folder{path: t.TempDir()}, "state"}
	if err := f.save(s); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(f.path, f.name)
	if got, err := readState(path); err != nil || !reflect.DeepEqual(got, s) {
		t.Errorf("not read as it was written: %v", err)
	}
	if about, err := os.Stat(path); err != nil || about.Size() > mostStateBytes/2 || about.Mode().Perm() != 0o600 {
		t.Errorf("%+v, %v", about, err)
	}
}

// FuzzParseState holds every state that is accepted to what the reading relies on, and to coming out as it went in.
func FuzzParseState(f *testing.F) {
	body, err := json.Marshal(fullState())
	if err != nil {
		f.Fatal(err)
	}
	f.Add(body)
	f.Add([]byte(`{"SizeBytes":512,"SectorBytes":512,"Phase":"write"}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		s, err := parseState(body)
		if err != nil {
			if s != nil || !errors.Is(err, errState) {
				t.Fatalf("%+v beside %v", s, err)
			}
			return
		}
		for _, at := range s.samples() {
			if at < 0 || at > s.SizeBytes-int64(s.SectorBytes) || at%int64(s.SectorBytes) != 0 {
				t.Fatalf("a sample at %d of %d", at, s.SizeBytes)
			}
		}
		s.Found.verdict(s.SizeBytes)
		s.Found.list()
		s.Write.figures(true)
		s.Read.trace(s.SizeBytes)
		again, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		if back, err := parseState(again); err != nil || !reflect.DeepEqual(back, s) {
			t.Fatalf("%s came back as %+v, %v", again, back, err)
		}
	})
}
