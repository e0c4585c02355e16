package main

import (
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// parseRate reads a rate such as 10MB or 2.5MB/s. Units are those of speed classes: kB is 10^3 bytes, MB 10^6, GB 10^9.
func parseRate(text string) (bytesPerSecond float64, err error) {
	amount := strings.TrimSuffix(text, "/s")
	for _, unit := range []struct {
		name  string
		bytes float64
	}{{"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}} {
		digits, ok := strings.CutSuffix(amount, unit.name)
		if !ok {
			continue
		}
		number, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
		// The comparison also keeps out what is no number, and the infinite.
		if err != nil || !(number > 0 && number <= 1e6) {
			break
		}
		return number * unit.bytes, nil
	}
	return 0, usagef("%q is no rate: give a number above 0 and kB, MB or GB, such as 10MB", text)
}

// parseMemory reads an amount of memory such as 512MiB or 1GB.
func parseMemory(text string) (bytes int64, err error) {
	for _, unit := range []struct {
		name  string
		bytes float64
	}{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}, {"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}} {
		digits, ok := strings.CutSuffix(text, unit.name)
		if !ok {
			continue
		}
		number, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
		if bytes := number * unit.bytes; err == nil && bytes >= 1<<20 && bytes <= 1<<50 {
			return int64(bytes), nil
		}
		break
	}
	return 0, usagef("%q is no amount of memory: give 1 MiB or more with its unit, such as 512MiB", text)
}

// defaultMemory is what decoding may take where nobody says: 48 MiB, with which four cards at once stay under 200 MiB in all, or
// a quarter of the machine's memory if that is less.
func defaultMemory() int64 {
	const most = 48 << 20
	var info unix.Sysinfo_t
	if unix.Sysinfo(&info) != nil {
		return most
	}
	return int64(min(most, uint64(info.Totalram)*uint64(info.Unit)/4))
}
