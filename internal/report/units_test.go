package report_test

import (
	"math"
	"testing"

	"cardwright/internal/report"
)

// Worked by hand from the definitions: 1 MB = 10^6, 1 GB = 10^9, 1 GiB = 2^30, 1 MiB = 2^20 bytes (IEC 80000-13).
func TestUnitsAgainstWorkedExamples(t *testing.T) {
	rates := map[float64]string{
		0: "0 MB/s", 1: "under 0.01 MB/s", 4_999: "under 0.01 MB/s", 5_001: "0.01 MB/s", 456_000: "0.46 MB/s",
		9_128_000: "9.13 MB/s", 9_994_000: "9.99 MB/s", 9_996_000: "10.0 MB/s", 23_640_000: "23.6 MB/s",
		99_940_000: "99.9 MB/s", 99_960_000: "100 MB/s", 1_234_500_000: "1234 MB/s",
		math.Inf(1): "? MB/s", math.NaN(): "? MB/s", -1: "? MB/s",
	}
	for rate, want := range rates {
		if got := report.Rate(rate); got != want {
			t.Errorf("a rate of %v is %q, want %q", rate, got, want)
		}
	}
	sizes := map[int64]string{
		0: "0 bytes", 1: "1 byte", 512: "512 bytes", 4096: "4.1 kB", 4 << 20: "4.2 MB", 415_236_096: "415.2 MB",
		31_914_983_424: "31.9 GB", 2_199_023_255_552: "2.2 TB",
	}
	for size, want := range sizes {
		if got := report.Size(size); got != want {
			t.Errorf("a size of %d is %q, want %q", size, got, want)
		}
	}
	capacities := map[int64]string{
		31_914_983_424: "31.9 GB (29.7 GiB)", 7_744_782_336: "7.7 GB (7.2 GiB)", 1 << 30: "1.1 GB (1.0 GiB)",
		415_236_096: "415.2 MB (396.0 MiB)", 512: "512 bytes",
	}
	for size, want := range capacities {
		if got := report.Capacity(size); got != want {
			t.Errorf("a capacity of %d is %q, want %q", size, got, want)
		}
	}
	durations := map[float64]string{
		0: "0 s", 0.004: "under 0.01 s", 0.42: "0.42 s", 0.996: "1.0 s", 4.24: "4.2 s", 9.96: "10 s", 42.4: "42 s",
		59.6: "1 min 0 s", 102: "1 min 42 s", 3599.4: "59 min 59 s", 3599.6: "1 h 0 min", 7290: "2 h 2 min",
		7199: "2 h 0 min", -1: "? s", math.Inf(1): "? s", math.NaN(): "? s",
	}
	for seconds, want := range durations {
		if got := report.Duration(seconds); got != want {
			t.Errorf("%v seconds are %q, want %q", seconds, got, want)
		}
	}
	places := map[int64]string{0: "byte 0", 999: "byte 999", 12_582_912: "byte 12582912 (12.6 MB)"}
	for offset, want := range places {
		if got := report.Place(offset); got != want {
			t.Errorf("offset %d is %q, want %q", offset, got, want)
		}
	}
}
