package device

import (
	"path/filepath"
	"strconv"
	"strings"
)

// A Bus is what a card is reached over, as far as the kernel tells it. The zero value is a bus of which nothing is known.
type Bus struct {
	Mode           string  `json:"mode"`        // "sd high-speed", "USB at 480 Mbit/s"
	ClockHz        int64   `json:"clock_hz"`    // of an MMC slot
	WidthBits      int     `json:"width_bits"`  // of an MMC slot
	BytesPerSecond float64 `json:"bytes_per_s"` // the most that can pass over it; 0 where that is not known
}

// A timing is a mode of an MMC slot: how often data pass per tick of the clock, and the most that the mode allows, which bounds
// what a driver's figures make of it.
type timing struct {
	perTick int
	most    float64 // bytes per second
}

// timings are the modes under the kernel's names for them (drivers/mmc/core/debugfs.c, from memory). The ceilings of SD cards
// are those of the SD Association's page "Bus Speed"; those of eMMC are JESD84-B51's at 8 bits, from memory, and so is that the
// legacy mode goes up to 26 MHz there. Modes that are not listed, such as UHS-II and SD Express, pass data in other ways.
var timings = map[string]timing{
	"legacy":                    {1, 26e6},
	"mmc high-speed":            {1, 52e6},
	"sd high-speed":             {1, 25e6},
	"sd uhs SDR12":              {1, 12.5e6},
	"sd uhs SDR25":              {1, 25e6},
	"sd uhs SDR50":              {1, 50e6},
	"sd uhs SDR104":             {1, 104e6},
	"sd uhs DDR50":              {2, 50e6},
	"mmc DDR52":                 {2, 104e6},
	"mmc HS200":                 {1, 200e6},
	"mmc HS400":                 {2, 400e6},
	"mmc HS400 enhanced strobe": {2, 400e6},
}

// usbCeilings are the most that bulk transfers can carry, by the kernel's word for the link's speed in Mbit/s. Full speed is 19
// packets of 64 bytes in a frame of 1 ms, high speed 13 packets of 512 bytes in a microframe of 125 us (USB 2.0, tables 5-9 and
// 5-10, from memory). The faster ones code 8 bits as 10, or 128 as 132 (USB 3.2, from memory); what packets take of that is not
// counted. Low speed, 1.5, knows no bulk transfers.
var usbCeilings = map[string]float64{
	"12":    19 * 64 * 1000,
	"480":   13 * 512 * 8000,
	"5000":  5000e6 / 8 * 8 / 10,
	"10000": 10000e6 / 8 * 128 / 132,
	"20000": 20000e6 / 8 * 128 / 132,
}

// bus tells what a disk is reached over. Where a slot is itself behind USB, the slower of both counts.
func (r *reader) bus(d *Disk, folders []string) Bus {
	slowest := Bus{}
	for _, b := range []Bus{usbBus(d.LinkSpeed), r.mmcBus(folders)} {
		if b.BytesPerSecond > 0 && (slowest.BytesPerSecond == 0 || b.BytesPerSecond < slowest.BytesPerSecond) {
			slowest = b
		}
	}
	return slowest
}

func usbBus(linkSpeed string) Bus {
	ceiling, known := usbCeilings[linkSpeed]
	if !known {
		return Bus{}
	}
	return Bus{Mode: "USB at " + linkSpeed + " Mbit/s", BytesPerSecond: ceiling}
}

// mmcBus reads the mode of the MMC host along a disk's path from the kernel's debug folder. That folder is root's and need not be
// there, so what it does not tell is no gap.
func (r *reader) mmcBus(folders []string) Bus {
	for i := len(folders) - 1; i >= 0; i-- {
		if mmcHost.MatchString(folders[i]) {
			host := &attributes{dir: filepath.Join(r.roots.Debug, folders[i])}
			ios, _ := host.raw("ios")
			return parseIOS(ios)
		}
	}
	return Bus{}
}

// parseIOS makes a bus of the lines of the kernel's ios file (drivers/mmc/core/debugfs.c, from memory):
//
//	clock:		50000000 Hz
//	actual clock:	50000000 Hz
//	bus width:	2 (4 bits)
//	timing spec:	2 (sd high-speed)
//
// The actual clock, where it is told, is what the host makes of the other. The number of the width is its logarithm.
func parseIOS(ios string) Bus {
	values := map[string]string{}
	for _, line := range strings.Split(ios, "\n") {
		if name, value, ok := strings.Cut(line, ":"); ok {
			values[name] = strings.TrimSpace(value)
		}
	}
	_, mode, _ := strings.Cut(strings.TrimSuffix(values["timing spec"], ")"), "(")
	t, known := timings[mode]
	width, ok := map[string]int{"0 (1 bits)": 1, "2 (4 bits)": 4, "3 (8 bits)": 8}[values["bus width"]]
	clock := hertz(values["actual clock"])
	if clock == 0 {
		clock = hertz(values["clock"])
	}
	if !known || !ok || clock == 0 { // a host that sleeps tells a clock of 0
		return Bus{}
	}
	ceiling := min(float64(clock)*float64(width)/8*float64(t.perTick), t.most)
	return Bus{Mode: mode, ClockHz: clock, WidthBits: width, BytesPerSecond: ceiling}
}

// hertz reads "50000000 Hz", 0 for anything else.
func hertz(text string) int64 {
	number, ok := strings.CutSuffix(text, " Hz")
	v, err := strconv.ParseInt(number, 10, 64)
	if !ok || err != nil || v < 0 {
		return 0
	}
	return v
}
