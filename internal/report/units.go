package report

import (
	"fmt"
	"math"
)

// Rate gives a rate in MB/s, with MB = 10^6 bytes as the speed classes of cards count, in three significant digits.
func Rate(bytesPerSecond float64) string { return Megabytes(bytesPerSecond) + " MB/s" }

// Megabytes gives the number of a rate alone, for where the unit stands beside it.
func Megabytes(bytesPerSecond float64) string {
	rate := bytesPerSecond / 1e6
	switch {
	case math.IsNaN(rate) || math.IsInf(rate, 0) || rate < 0:
		return "?"
	case rate == 0:
		return "0"
	case rate < 0.005:
		return "under 0.01"
	case rate < 9.995:
		return fmt.Sprintf("%.2f", rate)
	case rate < 99.95:
		return fmt.Sprintf("%.1f", rate)
	}
	return fmt.Sprintf("%.0f", rate)
}

// Size gives a number of bytes in the decimal unit that suits it, in at most four significant digits.
func Size(sizeBytes int64) string {
	for _, unit := range []struct {
		name  string
		bytes float64
	}{{"TB", 1e12}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}} {
		if float64(sizeBytes) >= 0.99995*unit.bytes { // which is told as 1.0 of this unit, not as 1000.0 of the next
			return fmt.Sprintf("%.1f %s", float64(sizeBytes)/unit.bytes, unit.name)
		}
	}
	if sizeBytes == 1 {
		return "1 byte"
	}
	return fmt.Sprintf("%d bytes", sizeBytes)
}

// Capacity gives a card's size in GB (10^9 bytes) with GiB (2^30 bytes) beside it; a smaller one in MB with MiB.
func Capacity(sizeBytes int64) string {
	switch {
	case sizeBytes >= 1e9:
		return fmt.Sprintf("%s (%.1f GiB)", Size(sizeBytes), float64(sizeBytes)/(1<<30))
	case sizeBytes >= 1e6:
		return fmt.Sprintf("%s (%.1f MiB)", Size(sizeBytes), float64(sizeBytes)/(1<<20))
	}
	return Size(sizeBytes)
}

// Duration gives a time in the two units that suit it.
func Duration(seconds float64) string {
	whole := int64(math.Round(seconds))
	switch {
	case math.IsNaN(seconds) || math.IsInf(seconds, 0) || seconds < 0:
		return "? s"
	case seconds == 0:
		return "0 s"
	case seconds < 0.01:
		return "under 0.01 s"
	case seconds < 0.995:
		return fmt.Sprintf("%.2f s", seconds)
	case seconds < 9.95:
		return fmt.Sprintf("%.1f s", seconds)
	case whole < 60:
		return fmt.Sprintf("%d s", whole)
	case whole < 3600:
		return fmt.Sprintf("%d min %d s", whole/60, whole%60)
	}
	minutes := int64(math.Round(seconds / 60))
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

// Place gives an offset in bytes and, where that is no longer read at a glance, in its unit.
func Place(offsetBytes int64) string {
	if offsetBytes < 1000 {
		return fmt.Sprintf("byte %d", offsetBytes)
	}
	return fmt.Sprintf("byte %d (%s)", offsetBytes, Size(offsetBytes))
}

// count gives a number with its noun, which takes an s when there are several.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
