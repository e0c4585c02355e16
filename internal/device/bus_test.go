package device_test

import (
	"os"
	"path/filepath"
	"testing"

	"cardwright/internal/device"
)

// ios lays out the file of a host's mode in the shape of the kernel's own (drivers/mmc/core/debugfs.c, from memory), with the
// lines that say nothing of the bus's speed.
func ios(clock, actual, width, timing string) string {
	text := "clock:\t\t" + clock + "\n"
	if actual != "" {
		text += "actual clock:\t" + actual + "\n"
	}
	return text + "vdd:\t\t21 (3.3 ~ 3.4 V)\nbus mode:\t2 (push-pull)\nchip select:\t0 (don't care)\npower mode:\t2 (on)\n" +
		"bus width:\t" + width + "\ntiming spec:\t" + timing + "\nsignal voltage:\t0 (3.30 V)\ndriver type:\t0 (driver type B)\n"
}

// The ceilings of SD cards are the SD Association's (page "Bus Speed"): 12.5, 25, 50, 50 and 104 MB/s; those of eMMC are
// JESD84-B51's, from memory.
func TestBusOfAnMMCSlotIsTold(t *testing.T) {
	cases := []struct {
		name, ios string
		want      device.Bus
	}{
		{"default speed", ios("25000000 Hz", "25000000 Hz", "2 (4 bits)", "0 (legacy)"), device.Bus{"legacy", 25e6, 4, 12.5e6}},
		{"high speed", ios("50000000 Hz", "50000000 Hz", "2 (4 bits)", "2 (sd high-speed)"), device.Bus{"sd high-speed", 50e6, 4, 25e6}},
		{"SDR50", ios("100000000 Hz", "", "2 (4 bits)", "5 (sd uhs SDR50)"), device.Bus{"sd uhs SDR50", 100e6, 4, 50e6}},
		{"SDR104", ios("208000000 Hz", "", "2 (4 bits)", "6 (sd uhs SDR104)"), device.Bus{"sd uhs SDR104", 208e6, 4, 104e6}},
		{"DDR50 passes twice per tick", ios("50000000 Hz", "", "2 (4 bits)", "7 (sd uhs DDR50)"), device.Bus{"sd uhs DDR50", 50e6, 4, 50e6}},
		{"HS200 of a module", ios("200000000 Hz", "", "3 (8 bits)", "9 (mmc HS200)"), device.Bus{"mmc HS200", 200e6, 8, 200e6}},
		{"DDR52 of a module", ios("52000000 Hz", "", "3 (8 bits)", "8 (mmc DDR52)"), device.Bus{"mmc DDR52", 52e6, 8, 104e6}},
		{"one data line", ios("50000000 Hz", "", "0 (1 bits)", "2 (sd high-speed)"), device.Bus{"sd high-speed", 50e6, 1, 6.25e6}},
		{"what the host makes of the clock", ios("50000000 Hz", "41666666 Hz", "2 (4 bits)", "2 (sd high-speed)"), device.Bus{"sd high-speed", 41666666, 4, 20833333}},
		{"an actual clock of nothing", ios("50000000 Hz", "0 Hz", "2 (4 bits)", "2 (sd high-speed)"), device.Bus{"sd high-speed", 50e6, 4, 25e6}},
		{"a clock beyond its mode", ios("9000000000 Hz", "", "2 (4 bits)", "6 (sd uhs SDR104)"), device.Bus{"sd uhs SDR104", 9e9, 4, 104e6}},
		{"asleep", ios("0 Hz", "", "2 (4 bits)", "2 (sd high-speed)"), device.Bus{}},
		{"a negative clock", ios("-50000000 Hz", "", "2 (4 bits)", "2 (sd high-speed)"), device.Bus{}},
		{"no clock", ios("fast", "", "2 (4 bits)", "2 (sd high-speed)"), device.Bus{}},
		{"another timing", ios("52000000 Hz", "", "2 (4 bits)", "11 (uhs2 range)"), device.Bus{}},
		{"another width", ios("50000000 Hz", "", "9 (512 bits)", "2 (sd high-speed)"), device.Bus{}},
		{"empty", "", device.Bus{}},
		{"other text", "clock", device.Bus{}},
	}
	for _, c := range cases {
		b := layOut(t, "mmc-slot")
		b.write(t, "sys/kernel/debug/mmc0/ios", c.ios)
		if got := b.snapshot(t).DiskByName("mmcblk0").Bus; got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// Whoever is not root sees no debug folder, and that speaks against no card.
func TestBusThatIsNotToldIsNoGap(t *testing.T) {
	b := layOut(t, "mmc-slot")
	for _, lay := range []func(){
		func() {},
		func() { b.folder(t, "sys/kernel/debug/mmc0/ios") }, // what cannot be read as a file stands for what may not be
	} {
		lay()
		d := b.snapshot(t).DiskByName("mmcblk0")
		if d.Bus != (device.Bus{}) || len(d.Unknown) > 0 {
			t.Errorf("%+v, gaps %v", d.Bus, d.Unknown)
		}
	}
}

// USB 2.0, tables 5-9 and 5-10 (from memory): 19 packets of 64 bytes per 1 ms, 13 of 512 bytes per 125 us. Beyond, the line code
// alone: 8 bits in 10, 128 in 132.
func TestBusOverUSBIsTold(t *testing.T) {
	for speed, want := range map[string]float64{
		"1.5": 0, "12": 1_216_000, "480": 53_248_000, "5000": 500_000_000, "10000": 1_212_121_212, "20000": 2_424_242_424, "": 0, "fast": 0,
	} {
		b := layOut(t, "usb-reader")
		b.write(t, "sys/devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.3/speed", speed+"\n")
		d := b.snapshot(t).DiskByName("sdb")
		mode := "USB at " + speed + " Mbit/s"
		if want == 0 {
			mode = ""
		}
		if got := d.Bus; float64(int64(got.BytesPerSecond)) != want || got.Mode != mode || d.RegisterFolder != "" {
			t.Errorf("%q: %+v, want %q, %.0f", speed, got, mode, want)
		}
	}
}

// A reader that is an MMC host behind USB is held back by the slower of both.
func TestSlowerOfTwoBusesCounts(t *testing.T) {
	const reader = "sys/devices/pci0000:00/0000:00:14.0/usb1/1-4"
	for speed, want := range map[string]string{"480": "USB at 480 Mbit/s", "5000": "sd uhs SDR104", "unknown": "sd uhs SDR104"} {
		b := layOutLines(t, "include system\ndisk mmcblk3 179:8 pci0000:00/0000:00:14.0/usb1/1-4/1-4:1.0/mmc_host/mmc3/mmc3:0001/block/mmcblk3 "+
			"size=62333952 diskseq=20\nattr device/cid 015041593038414713daa1bff401252e")
		b.write(t, reader+"/speed", speed+"\n")
		b.write(t, "sys/kernel/debug/mmc3/ios", ios("208000000 Hz", "", "2 (4 bits)", "6 (sd uhs SDR104)"))
		if got := b.snapshot(t).DiskByName("mmcblk3").Bus.Mode; got != want {
			t.Errorf("%s: %q, want %q", speed, got, want)
		}
	}
}

func TestRegisterFolderIsTheCardsAlone(t *testing.T) {
	b := layOut(t, "mmc-slot")
	b.write(t, filepath.Join(b.folders["mmcblk1boot0"], "device", "cid"), "015041593038414713daa1bff401252e\n")
	s := b.snapshot(t)
	folder := s.DiskByName("mmcblk0").RegisterFolder
	if cid, err := os.ReadFile(filepath.Join(folder, "cid")); err != nil || string(cid) != "015041593038414713daa1bff401252e\n" {
		t.Errorf("%q holds %q, %v", folder, cid, err)
	}
	for _, name := range []string{"mmcblk1", "mmcblk1boot0"} { // one without any registers, and an area of it
		if got := s.DiskByName(name).RegisterFolder; got != "" {
			t.Errorf("%s has the registers %s", name, got)
		}
	}
}
