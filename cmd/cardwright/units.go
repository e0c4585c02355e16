package main

import (
	"strconv"
	"strings"
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
