package project_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"testing"
	"unicode/utf8"

	"cardwright/internal/project"
	"cardwright/partition"
)

// FuzzReadSheet expects of any text either a sheet whose labels are good and differ, or an error of the sheet.
func FuzzReadSheet(f *testing.F) {
	f.Add([]byte("\ufefflabel,hostname\r\nrow 7,\"tree, 7\"\r\n"))
	f.Add([]byte("hostname,label\na,b\n\nc,d"))
	f.Add([]byte("label,label\n"))
	f.Add([]byte("label\n\"\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		sheet, err := project.ReadSheet(bytes.NewReader(text))
		if err != nil {
			if !errors.Is(err, project.ErrSheet) || sheet != nil || !utf8.ValidString(err.Error()) {
				t.Errorf("%v beside %v", sheet, err)
			}
			return
		}
		seen := map[string]bool{}
		for _, row := range sheet.Rows() {
			if project.CheckLabel(row.Label()) != nil || seen[row.Label()] || len(row) != len(sheet.Rows()[0]) {
				t.Errorf("row %v of %v", row, sheet.Rows())
			}
			seen[row.Label()] = true
		}
	})
}

// FuzzCompose puts a file into an image whose table and boot partition begin with whatever the fuzzer says.
func FuzzCompose(f *testing.F) {
	sound := imageOf(f, entry{kind: 0x0C, fat: true}, entry{kind: 0x83}).data
	const from, startBytes = 440, 1 << 20
	f.Add(sound[from:512], sound[startBytes:startBytes+8192])
	gap := bytes.Clone(sound[from:512])
	binary.LittleEndian.PutUint32(gap[446-from+12:], 1<<31)
	f.Add(gap, sound[startBytes:startBytes+512])
	f.Fuzz(func(t *testing.T, table, boot []byte) {
		d := &disk{bytes.Clone(sound)}
		copy(d.data[from:512], table)
		copy(d.data[startBytes:startBytes+64<<10], boot)
		image, err := partition.Inspect(d, int64(len(d.data)), 512)
		if err != nil {
			t.Fatal(err)
		}
		change, err := project.Compose(d, image, []project.File{{Path: "etc/row.conf", Content: []byte("row 7")}}, whenPut)
		if err != nil {
			if change != nil || !errors.Is(err, project.ErrNotComposed) {
				t.Errorf("%v beside %v", change, err)
			}
			return
		}
		for _, r := range change.Ranges {
			if r.OffsetBytes <= change.OffsetBytes || r.OffsetBytes+int64(len(r.Data)) > change.OffsetBytes+change.LengthBytes {
				t.Errorf("%d bytes at %d would change", len(r.Data), r.OffsetBytes)
			}
		}
	})
}
