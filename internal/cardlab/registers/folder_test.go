package registers_test

import (
	"errors"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/cardlab/registers"
)

// TestFilesAreAsTheKernelPrintsThem: the formats are those of Linux, drivers/mmc/core/sd.c and mmc.c; the card is the real one
// of the register dump in an open library's tests, with the end bits that its host had cleared. The values of ocr
// and rca and uevent's DRIVER are from memory.
func TestFilesAreAsTheKernelPrintsThem(t *testing.T) {
	ssr, err := realSSR().Encode()
	if err != nil {
		t.Fatal(err)
	}
	set := registers.Set{
		Kind: registers.SDHC, CID: unhex(t, "015041593038414713daa1bff401252e"), CSD: unhex(t, "400e00325b59000039b37f800a4000f8"),
		SCR: unhex(t, "0235800001000000"), SSR: ssr,
	}
	want := registers.Files{
		"cid":    "015041593038414713daa1bff401252e\n",
		"csd":    "400e00325b59000039b37f800a4000f8\n",
		"scr":    "0235800001000000\n",
		"ssr":    "80000000030000000202900008070000" + strings.Repeat("0", 96) + "\n",
		"date":   "05/2018\n",
		"manfid": "0x000001\n", "oemid": "0x5041\n", "name": "Y08AG\n", "serial": "0xdaa1bff4\n", "hwrev": "0x1\n", "fwrev": "0x3\n",
		"ocr": "0x00ff8080\n", "rca": "0x0001\n", "dsr": "0x404\n", "erase_size": "512\n", "preferred_erase_size": "4194304\n",
		"type": "SD\n", "uevent": "DRIVER=mmcblk\nMMC_TYPE=SD\nMMC_NAME=Y08AG\nMODALIAS=mmc:block\n",
	}
	if diff := cmp.Diff(want, set.Folder()); diff != "" {
		t.Error(diff)
	}
	set.OlderKernel = true
	want["ocr"] = "00ff8080\n"
	if diff := cmp.Diff(want, set.Folder()); diff != "" {
		t.Errorf("an older kernel's: %s", diff)
	}
}

// TestFilesOfAnEMMCAreAsTheKernelPrintsThem: formats and the rule of the year are those of Linux, drivers/mmc/core/mmc.c; that
// newer kernels put 0x before pre_eol_info, and the files of an area that is not there, are from memory.
func TestFilesOfAnEMMCAreAsTheKernelPrintsThem(t *testing.T) {
	set := sampled(t, "emmc")
	cid, csd := set.Folder()["cid"], set.Folder()["csd"]
	want := registers.Files{
		"cid": cid, "csd": csd,
		"date": "04/2021\n", "manfid": "0x00007f\n", "oemid": "0x015a\n", "name": "TESTMM\n", "serial": "0x95e2187c\n",
		"prv": "0x8\n", "hwrev": "0x0\n", "fwrev": "0x0700000000000000\n", "rev": "0x8\n", "ocr": "0x00ff8080\n", "rca": "0x0001\n",
		"dsr": "0x404\n", "erase_size": "524288\n", "preferred_erase_size": "524288\n", "pre_eol_info": "0x01\n",
		"life_time": "0x02 0x01\n", "ffu_capable": "0\n", "cmdq_en": "0\n", "raw_rpmb_size_mult": "0x20\n", "rel_sectors": "0x1\n",
		"enhanced_area_offset": "18446744073709551594\n", "enhanced_area_size": "4294967274\n",
		"type": "MMC\n", "uevent": "DRIVER=mmcblk\nMMC_TYPE=MMC\nMMC_NAME=TESTMM\nMODALIAS=mmc:block\n",
	}
	if diff := cmp.Diff(want, set.Folder()); diff != "" {
		t.Error(diff)
	}
	if want := "7f015a544553544d4d0895e2187c48"; len(cid) != 33 || cid[:30] != want {
		t.Errorf("cid %q, want %s and a checksum", cid, want)
	}
	set.OlderKernel, set.ExtCSD.Revision = true, 4
	want["pre_eol_info"], want["ocr"], want["rev"] = "01\n", "00ff8080\n", "0x4\n"
	want["fwrev"], want["date"] = "0x0\n", "04/2005\n"
	if diff := cmp.Diff(want, set.Folder()); diff != "" {
		t.Errorf("an older kernel's, of an older card: %s", diff)
	}
}

// TestTheDateIsNotMadeSense: the kernel prints a month 13 and a year to come, and a name up to its first zero byte.
func TestTheDateIsNotMadeSense(t *testing.T) {
	set := sampled(t, "sdsc")
	set.CID = unhex(t, "fe343201ff004142100000000101ede7")
	files := set.Folder()
	if files["date"] != "13/2030\n" || files["name"] != "\x01\xff\n" || files["erase_size"] != "0\n" {
		t.Errorf("date %q, name %q, erase size %q", files["date"], files["name"], files["erase_size"])
	}
}

func TestTheFolderIsAFileSystem(t *testing.T) {
	files := sampled(t, "sdxc").Folder()
	if err := fstest.TestFS(files, slices.Collect(maps.Keys(files))...); err != nil {
		t.Error(err)
	}
	delete(files, "ssr")
	if _, err := fs.ReadFile(files, "ssr"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that was taken out: %v", err)
	}
}

func TestAFolderHoldsOneCardsRegisters(t *testing.T) {
	set, dir := sampled(t, "sdxc"), t.TempDir()+"/new"
	if err := set.WriteFolder(dir); err != nil {
		t.Fatal(err)
	}
	written := registers.Files{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, entry := range entries {
		content, err := os.ReadFile(dir + "/" + entry.Name())
		if err != nil {
			t.Fatal(err)
		}
		written[entry.Name()] = string(content)
	}
	if diff := cmp.Diff(set.Folder(), written); diff != "" {
		t.Error(diff)
	}
	if err := sampled(t, "emmc").WriteFolder(dir); !errors.Is(err, fs.ErrExist) {
		t.Errorf("another card in the same folder: %v", err)
	}
	if got, err := os.ReadFile(dir + "/cid"); err != nil || string(got) != written["cid"] {
		t.Errorf("the first card's CID is now %q, %v", got, err)
	}
}

func sampled(t *testing.T, name string) registers.Set {
	t.Helper()
	set, err := registers.Sample(name)
	if err != nil {
		t.Fatal(err)
	}
	return set
}
