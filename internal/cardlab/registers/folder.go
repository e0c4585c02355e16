package registers

import (
	"fmt"
	"os"
	"strings"
)

// eraseGroupBytes is what an eMMC prefers to erase at once.
const eraseGroupBytes = 512 << 10

// WriteFolder writes the Folder into a directory, which is made where it is missing. A file that is there already is left as it
// is and fails the call, so that no folder holds the registers of two cards.
func (s Set) WriteFolder(dir string) error { return os.CopyFS(dir, s.Folder()) }

// Folder gives the files of the kernel's folder of the card, /sys/block/mmcblkN/device.
func (s Set) Folder() Files {
	f := Files{
		"cid":    fmt.Sprintf("%x\n", s.CID),
		"csd":    fmt.Sprintf("%x\n", s.CSD),
		"manfid": fmt.Sprintf("0x%06x\n", s.get(cidManufacturer)), // an eMMC's lies there too
		"oemid":  fmt.Sprintf("0x%04x\n", s.get(cidOEM)),          // of an eMMC the kernel long took as many bits
		"ocr":    fmt.Sprintf(s.style("%08x\n"), 0x00FF8080),
		"rca":    fmt.Sprintf("0x%04x\n", 1),
		"dsr":    fmt.Sprintf("0x%x\n", 0x404),
	}
	if s.Kind == EMMC {
		s.addEMMC(f)
	} else {
		s.addSD(f)
	}
	f["uevent"] = "DRIVER=mmcblk\nMMC_TYPE=" + f["type"] + "MMC_NAME=" + f["name"] + "MODALIAS=mmc:block\n"
	return f
}

// style puts 0x before a number, as newer kernels do.
func (s Set) style(format string) string {
	if s.OlderKernel {
		return format
	}
	return "0x" + format
}

func (s Set) addSD(f Files) {
	f["type"] = "SD\n"
	f["scr"] = fmt.Sprintf("%x\n", s.SCR)
	f["ssr"] = fmt.Sprintf("%x\n", s.SSR)
	f["date"] = fmt.Sprintf("%02d/%04d\n", s.get(cidMonth), 2000+s.get(cidYear))
	f["name"] = s.name(cidName)
	f["serial"] = fmt.Sprintf("0x%08x\n", s.get(cidSerial))
	f["hwrev"] = fmt.Sprintf("0x%x\n", s.get(cidMajor))
	f["fwrev"] = fmt.Sprintf("0x%x\n", s.get(cidMinor))
	eraseBytes := 512
	if s.Kind == SDSC { // addressed by bytes, not by blocks
		eraseBytes = 0
	}
	f["erase_size"] = fmt.Sprintf("%d\n", eraseBytes)
	f["preferred_erase_size"] = fmt.Sprintf("%d\n", auBytes(s.get(ssrAU)))
}

func (s Set) addEMMC(f Files) {
	f["type"] = "MMC\n"
	year := 1997 + s.get(emmcYear)
	if s.ExtCSD.Revision >= 5 && year < 2010 { // the kernel's rule
		year += 16
	}
	f["date"] = fmt.Sprintf("%02d/%04d\n", s.get(emmcMonth), year)
	f["name"] = s.name(emmcName)
	f["serial"] = fmt.Sprintf("0x%08x\n", s.get(emmcSerial))
	f["prv"] = fmt.Sprintf("0x%x\n", s.get(emmcRevision))
	f["hwrev"] = "0x0\n" // of the first versions of the standard alone
	f["fwrev"] = "0x0\n"
	if s.ExtCSD.Revision >= 7 {
		f["fwrev"] = fmt.Sprintf("0x%016x\n", s.ExtCSD.FirmwareVersion)
	}
	f["rev"] = fmt.Sprintf("0x%x\n", s.ExtCSD.Revision)
	f["pre_eol_info"] = fmt.Sprintf(s.style("%02x\n"), s.ExtCSD.PreEOL)
	f["life_time"] = fmt.Sprintf("0x%02x 0x%02x\n", s.ExtCSD.LifeTimeA, s.ExtCSD.LifeTimeB)
	f["erase_size"] = fmt.Sprintf("%d\n", eraseGroupBytes)
	f["preferred_erase_size"] = f["erase_size"]
	f["ffu_capable"] = "0\n"
	f["cmdq_en"] = "0\n"
	f["raw_rpmb_size_mult"] = "0x20\n"
	f["rel_sectors"] = "0x1\n"
	f["enhanced_area_offset"] = "18446744073709551594\n" // "invalid", as the kernel prints it; from memory
	f["enhanced_area_size"] = "4294967274\n"
}

// name gives the bytes of a name as the kernel prints them: up to the first zero.
func (s Set) name(f field) string {
	raw := string(s.CID[15-f.high/8 : 16-f.low/8])
	before, _, _ := strings.Cut(raw, "\x00")
	return before + "\n"
}

// auBytes is the size of an allocation unit by its code, 0 for none.
func auBytes(code uint64) int64 {
	return [16]int64{
		0, 16 << 10, 32 << 10, 64 << 10, 128 << 10, 256 << 10, 512 << 10, 1 << 20,
		2 << 20, 4 << 20, 8 << 20, 12 << 20, 16 << 20, 24 << 20, 32 << 20, 64 << 20,
	}[code&0xF]
}
