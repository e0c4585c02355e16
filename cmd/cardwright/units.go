package main

import (
	"strconv"
	"strings"
)

// A unit is what an amount is counted in.
type unit struct {
	name  string
	bytes float64
}

// decimalUnits are those of speed classes: kB is 10^3 bytes, MB 10^6, GB 10^9. binaryUnits are those of memory.
func decimalUnits() []unit { return []unit{{"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}} }
func binaryUnits() []unit  { return []unit{{"KiB", 1 << 10}, {"MiB", 1 << 20}, {"GiB", 1 << 30}} }

// parseAmount reads a number, which may be no number or infinite, and the unit behind it.
func parseAmount(text string, units []unit) (number, unitBytes float64, ok bool) {
	for _, u := range units {
		if digits, found := strings.CutSuffix(text, u.name); found {
			number, err := strconv.ParseFloat(strings.TrimSpace(digits), 64)
			return number, u.bytes, err == nil
		}
	}
	return 0, 0, false
}

// parseRate reads a rate such as 10MB or 2.5MB/s.
func parseRate(text string) (bytesPerSecond float64, err error) {
	number, unitBytes, ok := parseAmount(strings.TrimSuffix(text, "/s"), decimalUnits())
	if ok && number > 0 && number <= 1e6 { // which keeps out what is no number, too
		return number * unitBytes, nil
	}
	return 0, usagef("%q is no rate: give a number above 0 and kB, MB or GB, such as 10MB", text)
}

// parseMemory reads an amount of memory such as 512MiB or 1GB.
func parseMemory(text string) (bytes int64, err error) { return parseSize(text, "amount of memory") }

// parseSize reads what is measured in bytes, such as 512MiB or 64GB; what is its name.
func parseSize(text, what string) (bytes int64, err error) {
	number, unitBytes, ok := parseAmount(text, append(binaryUnits(), decimalUnits()...))
	if amount := number * unitBytes; ok && amount >= 1<<20 && amount <= 1<<50 {
		return int64(amount), nil
	}
	return 0, usagef("%q is no %s: give 1 MiB or more with its unit, such as 512MiB", text, what)
}
