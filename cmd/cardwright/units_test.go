package main

import "testing"

// Units as in speed classes: MB = 10^6 bytes (SD Physical Layer Simplified Specification, speed classes).
func TestRatesAreReadWithTheirUnit(t *testing.T) {
	for text, want := range map[string]float64{
		"10MB": 10e6, "10MB/s": 10e6, "2.5MB": 2.5e6, "800kB": 800e3, "1GB/s": 1e9, "10 MB": 10e6,
		"10": 0, "MB": 0, "": 0, "0MB": 0, "-1MB": 0, "10mb": 0, "10MiB": 0, "InfMB": 0, "NaNMB": 0, "1e300GB": 0, "10MB/min": 0,
	} {
		got, err := parseRate(text)
		if got != want || (err == nil) != (want > 0) {
			t.Errorf("%q is %v, %v; want %v", text, got, err, want)
		}
	}
}

func TestParseMemory(t *testing.T) {
	for text, want := range map[string]int64{"512MiB": 512 << 20, "1GB": 1e9, "1.5 GiB": 3 << 29, "1024KiB": 1 << 20} {
		if got, err := parseMemory(text); err != nil || got != want {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "512", "0MiB", "-1GB", "NaNMiB", "InfGiB", "1kB", "9999999999GB", "MiB"} {
		if got, err := parseMemory(text); err == nil {
			t.Errorf("%q: %d", text, got)
		}
	}
}
