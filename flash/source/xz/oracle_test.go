//go:build oracle

package xz_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"cardwright/flash/source/xz"
)

// tool runs a command in a shell; a missing tool is a failure.
func tool(t *testing.T, folder, command string) []byte {
	t.Helper()
	shell := exec.CommandContext(t.Context(), "sh", "-euc", command)
	shell.Dir, shell.Stderr = folder, os.Stderr
	output, err := shell.Output()
	if err != nil {
		t.Fatalf("%s: %v", command, err)
	}
	return output
}

// settings are options of xz 5.4 that make each kind of file the format knows.
func settings() (all []string) {
	for level := range 10 {
		all = append(all, fmt.Sprintf("-%d", level), fmt.Sprintf("-%de", level))
	}
	for _, check := range []string{"none", "crc32", "crc64", "sha256"} {
		for _, size := range []string{"1", "4KiB", "100KiB", "1MiB"} {
			blocks := "--block-size=" + size
			if size == "1" {
				blocks = "--block-size=4097"
			}
			all = append(all, "-1 --check="+check+" -T2 "+blocks, "-1 --check="+check+" -T1 "+blocks)
		}
	}
	for _, filter := range []string{"x86", "powerpc", "ia64", "arm", "armthumb", "arm64", "sparc", "delta=dist=1", "delta=dist=4", "delta=dist=256"} {
		all = append(all, "--"+filter+" --lzma2=preset=1", "-T2 --block-size=64KiB --"+filter+" --lzma2=preset=1,dict=4KiB")
	}
	for _, coder := range []string{"lc=0,lp=0,pb=0", "lc=4,lp=0,pb=4", "lc=0,lp=4,pb=2", "lc=2,lp=2,pb=1", "dict=4KiB", "dict=96KiB,mf=hc3"} {
		all = append(all, "--lzma2=preset=3,"+coder)
	}
	return append(all, "--x86 --delta=dist=2 --arm64=start=4096 --lzma2=preset=2", "--arm --x86 --sparc --lzma2")
}

// TestFilesOfXZDecodeToWhatWentIn packs machine code, invented bytes and short inputs in every setting.
func TestFilesOfXZDecodeToWhatWentIn(t *testing.T) {
	program, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	code := program[1<<20 : min(len(program), 3<<20)]
	inputs := map[string][]byte{
		"empty": {}, "one": {7}, "code": code, "invented": invented(1<<21+77, 9), "zeros": make([]byte, 3<<20),
		"invented code": readFixture(t, "code.bin"),
	}
	for name, content := range inputs {
		folder := t.TempDir()
		if err := os.WriteFile(filepath.Join(folder, "in"), content, 0o600); err != nil {
			t.Fatal(err)
		}
		for _, setting := range settings() {
			packed := tool(t, folder, "xz -c "+setting+" in")
			got := sameInEveryWay(t, packed, "two", "planned")
			if got.err != nil || got.content != string(content) {
				t.Errorf("%s, xz %s: %d of %d bytes, %v", name, setting, len(got.content), len(content), got.err)
			}
		}
	}
}

// TestDamageIsSeenWhereXZSeesIt flips bits; xz and the Reader must agree on which file is sound.
func TestDamageIsSeenWhereXZSeesIt(t *testing.T) {
	folder := t.TempDir()
	packed := readFixture(t, "streams.xz")
	for at := range packed {
		damaged := bytes.Clone(packed)
		damaged[at] ^= 1 << (at % 8)
		if err := os.WriteFile(filepath.Join(folder, "in"), damaged, 0o600); err != nil {
			t.Fatal(err)
		}
		verdict := string(tool(t, folder, "if xz -t < in 2>/dev/null; then echo sound; fi"))
		got := decode(bytes.NewReader(damaged), xz.Options{Workers: 1})
		if (verdict != "") != (got.err == nil) {
			t.Errorf("bit %d of byte %d flipped: xz says %q, here %v", at%8, at, verdict, got.err)
		}
	}
}
