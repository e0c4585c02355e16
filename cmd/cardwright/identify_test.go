package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"cardwright/internal/device"
)

// slots is a machine of two MMC slots with cards of one and the same CID in them, and a USB reader. The registers are those of a real
// card, as the test file of an open-source SD library gives them.
func slots(t *testing.T) device.Roots {
	t.Helper()
	base := t.TempDir()
	write := func(path, content string) {
		t.Helper()
		path = filepath.Join(base, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	disk := func(name, number, above, size string) {
		t.Helper()
		folder := filepath.Join("sys/devices", above, "block", name)
		for file, content := range map[string]string{
			"dev": number, "size": size, "ro": "0", "removable": "1", "hidden": "0", "diskseq": "7",
			"queue/logical_block_size": "512", "queue/physical_block_size": "512", "holders/.keep": "", "slaves/.keep": "",
		} {
			write(filepath.Join(folder, file), content+"\n")
		}
		for _, link := range []string{"sys/block/" + name, "sys/class/block/" + name} {
			if err := os.MkdirAll(filepath.Join(base, filepath.Dir(link)), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.Symlink(filepath.Join(base, folder), filepath.Join(base, link)); err != nil {
				t.Fatal(err)
			}
		}
		write("dev/"+name, "")
	}
	for i, name := range []string{"mmcblk0", "mmcblk1"} {
		above := "platform/" + string('a'+rune(i)) + ".mmc/mmc_host/mmc" + string('0'+rune(i)) + "/card"
		disk(name, "179:"+string('0'+rune(i)), above, "15126528")
		for file, content := range map[string]string{
			"type": "SD", "cid": "015041593038414713daa1bff401252e", "csd": "400e00325b59000039b37f800a4000f8", "name": "Y08AG",
		} {
			write(filepath.Join("sys/devices", above, "block", name, "device", file), content+"\n")
		}
	}
	disk("sdb", "8:16", "pci0000:00/usb1/1-1/1-1:1.0/host0/target0:0:0/0:0:0:0", "15126528")
	write("proc/self/mountinfo", "")
	write("proc/swaps", "Filename\tType\tSize\tUsed\tPriority\n")
	return device.Roots{Sys: filepath.Join(base, "sys"), Proc: filepath.Join(base, "proc"), Dev: filepath.Join(base, "dev")}
}

// identified runs identify on such a machine.
func identified(t *testing.T, roots device.Roots, args ...string) string {
	t.Helper()
	var stdout, stderr strings.Builder
	p := &program{
		stdin: strings.NewReader(""), stdout: &stdout, stderr: &stderr, env: func(string) string { return "" }, roots: roots,
		logbookPath: filepath.Join(t.TempDir(), "logbook.db"),
	}
	root := p.root()
	root.SetArgs(append([]string{"identify", "--logbook", p.logbookPath}, args...))
	if err := root.ExecuteContext(t.Context()); err != nil {
		t.Fatalf("%v\n%s", err, &stderr)
	}
	return strings.Join(strings.Fields(stdout.String()), " ")
}

func TestIdentifyReadsTheRegistersOfASlot(t *testing.T) {
	roots := slots(t)
	text := identified(t, roots, filepath.Join(roots.Dev, "mmcblk0"))
	for _, want := range []string{
		"mmcblk0: an SD card, 7.7 GB", "name Y08AG", "7744782336 bytes as the kernel has it, 7744782336 bytes by its CSD",
		filepath.Join(roots.Dev, "mmcblk1"), // where a card of the same CID is
	} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q: %s", want, text)
		}
	}
}

func TestIdentifySaysThatAUSBReaderHidesRegisters(t *testing.T) {
	roots := slots(t)
	text := identified(t, roots, filepath.Join(roots.Dev, "sdb"), "--json")
	for _, want := range []string{`"kind": null`, `"cid": null`, `"findings": []`, "a USB reader hides them", "MMC slot", "that of a board"} {
		if !strings.Contains(text, want) {
			t.Errorf("it does not say %q: %s", want, text)
		}
	}
}
