package identity_test

import (
	"encoding/hex"
	"errors"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/identity"
)

// folderOf makes a folder of files from names and contents in turn.
func folderOf(namesAndContents ...string) fstest.MapFS {
	folder := fstest.MapFS{}
	for pair := range slices.Chunk(namesAndContents, 2) {
		folder[pair[0]] = &fstest.MapFile{Data: []byte(pair[1])}
	}
	return folder
}

const (
	dumpedCID = "015041593038414713daa1bff401252e"
	dumpedCSD = "400e00325b59000039b37f800a4000f8"
	dumpedSCR = "0235800001000000"
)

// dumpedSSR is the status of the dump, which is 0 from byte 16 on.
var dumpedSSR = "80000000030000000202900008070000" + strings.Repeat("0", 96)

// TestDumpOfARealCard decodes the registers of a real card as they stand, with the values to expect, in the tests of an
// open-source Rust SD library, in files as Linux prints them (drivers/mmc/core/sd.c).
func TestDumpOfARealCard(t *testing.T) {
	raw, err := identity.ReadFolder(folderOf("type", "SD\n", "cid", dumpedCID+"\n", "csd", dumpedCSD+"\n", "scr", dumpedSCR+"\n",
		"ssr", dumpedSSR+"\n", "date", "05/2018\n", "name", "Y08AG\n", "serial", "0xdaa1bff4\n"))
	if err != nil {
		t.Fatal(err)
	}
	card := identity.Decode(raw)
	if len(raw.Unread) != 0 || card.Kind != identity.KindSD || card.Health != nil {
		t.Errorf("got kind %q, health %v, unread %v", card.Kind, card.Health, raw.Unread)
	}
	if c := card.CID; c.ManufacturerID != 1 || c.OEMID != "PA" || c.Name != "Y08AG" || c.Revision != "1.3" ||
		c.Serial != 3668033524 || c.Manufactured != "2018-05" || sumTold(c.CRCOK) != "true" {
		t.Errorf("CID: %+v", c)
	}
	if c := card.CSD; c.Structure != "2.0" || c.CapacityBytes != 7_744_782_336 || sumTold(c.CRCOK) != "true" {
		t.Errorf("CSD: %+v", c)
	}
	expectValues(t, card.CSD, map[string]uint64{"C_SIZE": 14771, "end bit": 0})
	if s := card.SCR; s.SpecVersion != "3.0x" || s.Security != 3 || !s.Spec3 {
		t.Errorf("SCR: %+v", s)
	}
	expectValues(t, card.SCR, map[string]uint64{"SD_SPEC": 2, "SD_SPEC3": 1, "SD_BUS_WIDTHS": 5, "SD_SECURITY": 3})
	if s := card.SSR; s.SpeedClass != 4 || s.UHSGrade != 0 || s.VideoClass != 0 || s.AppClass != 0 || s.AUBytes != 4<<20 ||
		s.Discard {
		t.Errorf("SSR: %+v", s)
	}
	expectValues(t, card.SSR, map[string]uint64{
		"SPEED_CLASS": 2, "PERFORMANCE_MOVE": 2, "AU_SIZE": 9, "ERASE_SIZE": 8, "ERASE_TIMEOUT": 1, "ERASE_OFFSET": 3,
		"UHS_SPEED_GRADE": 0, "UHS_AU_SIZE": 0, "SIZE_OF_PROTECTED_AREA": 50_331_648,
	})
	expectWhole(t, raw.CID, card.CID.Fields)
	expectWhole(t, raw.CSD, card.CSD.Fields)
	expectWhole(t, raw.SCR, card.SCR.Fields)
	expectWhole(t, raw.SSR, card.SSR.Fields)
}

const emmcCID = "7f015a54455354313662123456783100" // laid out by JESD84-B51, 7.2

// TestFolderOfEMMC reads what Linux prints for an eMMC: older kernels print pre_eol_info without 0x, newer ones with it (the
// latter from memory).
func TestFolderOfEMMC(t *testing.T) {
	for _, preEOL := range []string{"02\n", "0x02\n", "0x02", "2"} {
		raw, err := identity.ReadFolder(folderOf("type", "MMC\n", "cid", emmcCID+"\n", "csd", "d00f00320f5903ffffffffef92400000\n",
			"rev", "0x8\n", "life_time", "0x01 0x0b\n", "pre_eol_info", preEOL))
		if err != nil || len(raw.Unread) != 0 {
			t.Fatalf("%q: got %v, unread %v", preEOL, err, raw)
		}
		card := identity.Decode(raw)
		h := card.Health
		if card.Kind != identity.KindEMMC || h.LifeTimeA != "0-10 % used" || h.LifeTimeB != "used beyond its estimated life" ||
			h.PreEOL != "warning: 80 % of the reserve used" || len(h.Fields) != 4 {
			t.Errorf("%q: got %q, %+v", preEOL, card.Kind, h)
		}
		if card.CID.Name != "TEST16" || card.CID.Manufactured != "2014-03" || card.CSD.Structure != "ext" ||
			card.SCR != nil || card.SSR != nil {
			t.Errorf("got %+v, %+v", card.CID, card.CSD)
		}
	}
}

// TestAnyPartOfAFolderIsEnough takes all but one file away, and writes what is left in ways that people and kernels may.
func TestAnyPartOfAFolderIsEnough(t *testing.T) {
	for name, content := range map[string]string{"cid": dumpedCID, "csd": dumpedCSD, "scr": dumpedSCR, "ssr": dumpedSSR} {
		for _, written := range []string{content, content + "\n", content + "\r\n", " " + strings.ToUpper(content) + "\n\n"} {
			raw, err := identity.ReadFolder(folderOf(name, written))
			if err != nil || len(raw.Unread) != 0 {
				t.Errorf("%s alone, %q: %v, %v", name, written, err, raw)
				continue
			}
			card := identity.Decode(raw)
			there := map[string]bool{"cid": card.CID != nil, "csd": card.CSD != nil, "scr": card.SCR != nil, "ssr": card.SSR != nil}
			for register, is := range there {
				if is != (register == name) {
					t.Errorf("%s alone: %s is there: %v", name, register, is)
				}
			}
			if card.Kind != identity.KindSD {
				t.Errorf("%s alone: kind %q", name, card.Kind)
			}
		}
	}
}

// TestNonsenseSpoilsNoOtherFile puts nonsense into each file of a card that is otherwise sound.
func TestNonsenseSpoilsNoOtherFile(t *testing.T) {
	sound := func() fstest.MapFS {
		return folderOf("type", "SD\n", "cid", dumpedCID, "csd", dumpedCSD, "scr", dumpedSCR, "ssr", dumpedSSR,
			"life_time", "0x01 0x02\n", "pre_eol_info", "01\n", "rev", "0x8\n")
	}
	whole, err := identity.ReadFolder(sound())
	if err != nil || len(whole.Unread) != 0 {
		t.Fatal(err, whole)
	}
	for name := range sound() {
		for _, nonsense := range []string{
			"", "\n", "nonsense", dumpedCID + "00", dumpedCID[1:], "0x1ff", "0x01 0x02 0x03", "0x", "-1", "0x01 0x1ff",
			strings.Repeat("0", 1<<20), "\x00\xff\x1b[2J",
		} {
			folder := sound()
			folder[name] = &fstest.MapFile{Data: []byte(nonsense)}
			raw, err := identity.ReadFolder(folder)
			if err != nil || len(raw.Unread) != 1 || raw.Unread[0].File != name || raw.Unread[0].Why == "" {
				t.Errorf("%s holding %.20q: got %v, %+v", name, nonsense, err, raw)
				continue
			}
			expectOthersRead(t, name, raw, whole)
		}
	}
}

// expectOthersRead expects a reading to be the whole one but for one file. The kind is guessed right without its file.
func expectOthersRead(t *testing.T, spoilt string, raw, whole *identity.Raw) {
	t.Helper()
	want := *whole
	want.Unread = raw.Unread
	switch spoilt {
	case "cid":
		want.CID = nil
	case "csd":
		want.CSD = nil
	case "scr":
		want.SCR = nil
	case "ssr":
		want.SSR = nil
	case "life_time":
		want.LifeTimeA, want.LifeTimeB = nil, nil
	case "pre_eol_info":
		want.PreEOL = nil
	case "rev":
		want.EXTCSDRevision = nil
	}
	if difference := cmp.Diff(&want, raw); difference != "" {
		t.Errorf("%s spoilt:\n%s", spoilt, difference)
	}
}

// TestFilesThatAreNone reads a folder in which folders and pipes stand under the names of files.
func TestFilesThatAreNone(t *testing.T) {
	folder := folderOf("csd", dumpedCSD)
	folder["cid"] = &fstest.MapFile{Mode: fs.ModeNamedPipe}
	folder["scr/inner"] = &fstest.MapFile{}
	raw, err := identity.ReadFolder(folder)
	if err != nil || raw.CID != nil || raw.SCR != nil || hex.EncodeToString(raw.CSD) != dumpedCSD || len(raw.Unread) != 2 {
		t.Errorf("got %v, %+v", err, raw)
	}
}

// TestNoRegisters reads folders that tell of no card's registers. A SCSI device's, which stands behind a USB reader, has files
// of the names type and rev (from memory).
func TestNoRegisters(t *testing.T) {
	for name, folder := range map[string]fstest.MapFS{
		"empty":       {},
		"SCSI device": folderOf("type", "0\n", "rev", "1.00\n", "vendor", "Generic \n", "model", "Reader  \n"),
		"others":      folderOf("date", "05/2018\n", "name", "Y08AG\n"),
	} {
		if raw, err := identity.ReadFolder(folder); !errors.Is(err, identity.ErrNoRegisters) || raw != nil {
			t.Errorf("%s: got %v, %v", name, raw, err)
		}
	}
}

// TestKind tells the kinds apart with and without the host's word (type as Linux prints it, drivers/mmc/core/bus.c).
func TestKind(t *testing.T) {
	for name, c := range map[string]struct {
		folder fstest.MapFS
		want   identity.Kind
		unread int
	}{
		"SD":                      {folderOf("cid", dumpedCID, "type", "SD\n"), identity.KindSD, 0},
		"SDcombo":                 {folderOf("cid", dumpedCID, "type", "SDcombo\n"), identity.KindSD, 0},
		"MMC":                     {folderOf("cid", dumpedCID, "type", "MMC\n"), identity.KindEMMC, 0},
		"SDIO has no memory":      {folderOf("cid", dumpedCID, "type", "SDIO\n"), identity.KindSD, 1},
		"the word before looks":   {folderOf("cid", emmcCID, "type", "SD"), identity.KindSD, 0},
		"an SCR before looks":     {folderOf("cid", emmcCID, "scr", dumpedSCR), identity.KindSD, 0},
		"an SSR before looks":     {folderOf("cid", emmcCID, "ssr", dumpedSSR), identity.KindSD, 0},
		"a life time":             {folderOf("cid", dumpedCID, "life_time", "0x01 0x01"), identity.KindEMMC, 0},
		"a pre-EOL":               {folderOf("cid", dumpedCID, "pre_eol_info", "01"), identity.KindEMMC, 0},
		"a revision":              {folderOf("cid", dumpedCID, "rev", "0x8"), identity.KindEMMC, 0},
		"a CID with a letter":     {folderOf("cid", dumpedCID), identity.KindSD, 0},
		"a CID of six letters":    {folderOf("cid", emmcCID), identity.KindEMMC, 0},
		"a blank SD card's CID":   {folderOf("cid", "00000020202020200000000000000079"), identity.KindSD, 0},
		"a CSD without a version": {folderOf("csd", dumpedCSD), identity.KindSD, 0},
		"a CSD with a version":    {folderOf("csd", "d00f00320f5903ffffffffef92400000"), identity.KindEMMC, 0},
		"nothing understood":      {folderOf("cid", "?"), "", 1},
	} {
		raw, err := identity.ReadFolder(c.folder)
		if err != nil || raw.Kind != c.want || len(raw.Unread) != c.unread {
			t.Errorf("%s: got %+v, %v", name, raw, err)
			continue
		}
		unstated := *raw
		unstated.Kind = ""
		if _, stated := c.folder["type"]; !stated && identity.Decode(&unstated).Kind != c.want {
			t.Errorf("%s: Decode alone takes it for %q", name, identity.Decode(&unstated).Kind)
		}
	}
}

// TestRegistersOfWrongLengthStayOut hands Decode what ReadFolder never would.
func TestRegistersOfWrongLengthStayOut(t *testing.T) {
	for length := range 70 {
		content := make([]byte, length)
		card := identity.Decode(&identity.Raw{CID: content, CSD: content, SCR: content, SSR: content})
		if (card.CID != nil) != (length == 16) || (card.CSD != nil) != (length == 16) ||
			(card.SCR != nil) != (length == 8) || (card.SSR != nil) != (length == 64) {
			t.Errorf("%d bytes: got %+v", length, card)
		}
	}
}
