package capacity

import (
	"bytes"
	"encoding/hex"
	"errors"
	"testing"
	"time"
)

// FuzzReadRescue reads files that anybody may have written. It stands inside the package, as a rescue's parts are nobody else's.
func FuzzReadRescue(f *testing.F) {
	stamper := NewStamper("a seed")
	head, err := rescueHead{hex.EncodeToString(stamper.key[:]), time.Unix(1, 0).UTC(), Mark{CID: "aa", SizeBytes: 4096}}.encode()
	if err != nil {
		f.Fatal(err)
	}
	part := keptPart{span: span{512, 3}}
	whole := append(bytes.Clone(head), part.encode([]byte("abc"))...)
	f.Add(whole)
	f.Add(whole[:len(whole)-1])
	f.Add(head)
	f.Add([]byte(rescueMagic))
	f.Fuzz(func(t *testing.T, file []byte) {
		in := bytes.NewReader(file)
		head, parts, err := readRescue(in, int64(len(file)))
		if err != nil {
			if !errors.Is(err, errRescue) || parts != nil {
				t.Errorf("%d parts, %v", len(parts), err)
			}
			return
		}
		buffer := make([]byte, pieceBytes)
		end := int64(0)
		for i := range parts {
			p := &parts[i]
			if p.lengthBytes <= 0 || p.lengthBytes > pieceBytes || p.contentAt < end || p.contentAt+p.lengthBytes > int64(len(file)) {
				t.Fatalf("part %d: %+v of %d bytes", i, p, len(file))
			}
			end = p.contentAt + p.lengthBytes
			content, err := p.content(in, buffer)
			if err != nil {
				if !errors.Is(err, errRescue) {
					t.Errorf("part %d: %v", i, err)
				}
				continue
			}
			again := keptPart{span: p.span}
			if !bytes.Equal(again.encode(content), file[p.contentAt-entryContentAt:end]) {
				t.Errorf("part %d is written in another way than it was read", i)
			}
		}
		if _, err := head.stamper(); err != nil && !errors.Is(err, errRescue) {
			t.Error(err)
		}
	})
}

// FuzzReadStamp reads sectors that anybody may have written.
func FuzzReadStamp(f *testing.F) {
	stamper := NewStamper("a seed")
	sector := make([]byte, StampBytes)
	stamper.Fill(sector, 1<<40, 7)
	f.Add(sector)
	f.Add(sector[:100])
	f.Fuzz(func(t *testing.T, p []byte) {
		got := stamper.Read(p)
		if !got.Sound && got != (Reading{}) {
			t.Errorf("%+v", got)
		}
		if got.Ours && !stamper.isStampOf(p) {
			t.Error("a stamp of this run that is none")
		}
	})
}
