package identity_test

import (
	"fmt"
	"slices"
	"testing"

	"cardwright/internal/identity"
)

// statusWith makes an SD status in which one byte is set. Where the bytes lie is from two open drivers.
func statusWith(index int, value byte) []byte {
	status := make([]byte, 64)
	status[index] = value
	return status
}

// TestClassesOfSSR goes through all codes of the classes. Known are those of the Physical Layer Specification 4.10, table 4-44,
// for the speed class, of an open driver for U1, A1 and A2, and from memory for U3 and the video classes.
func TestClassesOfSSR(t *testing.T) {
	for _, c := range []struct {
		field, mark string
		index       int
		shift       uint
		codes       int
		known       map[int]int
		class       func(*identity.SSR) int
	}{
		{"SPEED_CLASS", "Class ", 8, 0, 256, map[int]int{1: 2, 2: 4, 3: 6, 4: 10}, func(s *identity.SSR) int { return s.SpeedClass }},
		{"UHS_SPEED_GRADE", "U", 14, 4, 16, map[int]int{1: 1, 3: 3}, func(s *identity.SSR) int { return s.UHSGrade }},
		{
			"VIDEO_SPEED_CLASS", "V", 15, 0, 256,
			map[int]int{6: 6, 10: 10, 30: 30, 60: 60, 90: 90},
			func(s *identity.SSR) int { return s.VideoClass },
		},
		{"APP_PERF_CLASS", "A", 21, 0, 16, map[int]int{1: 1, 2: 2}, func(s *identity.SSR) int { return s.AppClass }},
	} {
		for code := range c.codes {
			status := statusWith(c.index, byte(code<<c.shift))
			ssr := identity.Decode(&identity.Raw{SSR: status}).SSR
			want := fmt.Sprintf("reserved code 0x%02x", code)
			if class, known := c.known[code]; known {
				want = fmt.Sprint(c.mark, class)
			} else if code == 0 {
				want = "none"
			}
			if got := meaningOf(t, ssr.Fields, c.field); got != want || c.class(ssr) != c.known[code] {
				t.Errorf("%s 0x%02x: got %q and class %d, want %q", c.field, code, got, c.class(ssr), want)
			}
			expectValues(t, ssr, map[string]uint64{c.field: uint64(code)})
			expectWhole(t, status, ssr.Fields)
		}
	}
}

// TestAllocationUnits follows the Physical Layer Specification 4.10, p. 89, and an open driver that lets UHS units begin at
// 1 MiB.
func TestAllocationUnits(t *testing.T) {
	kibibytes := []int64{0, 16, 32, 64, 128, 256, 512, 1024, 2048, 4096, 8192, 12288, 16384, 24576, 32768, 65536}
	for code, want := range kibibytes {
		ssr := identity.Decode(&identity.Raw{SSR: statusWith(10, byte(code<<4))}).SSR
		if ssr.AUBytes != want<<10 {
			t.Errorf("code %d: got %d bytes, want %d KiB", code, ssr.AUBytes, want)
		}
	}
	for _, c := range []struct {
		field string
		index int
		value byte
		want  string
	}{
		{"AU_SIZE", 10, 0, "not defined"},
		{"AU_SIZE", 10, 0x10, "16 KiB"},
		{"AU_SIZE", 10, 0x90, "4 MiB"},
		{"AU_SIZE", 10, 0xb0, "12 MiB"},
		{"UHS_AU_SIZE", 14, 0, "not defined"},
		{"UHS_AU_SIZE", 14, 6, "reserved code 0x06"},
		{"UHS_AU_SIZE", 14, 7, "1 MiB"},
		{"UHS_AU_SIZE", 14, 15, "64 MiB"},
	} {
		ssr := identity.Decode(&identity.Raw{SSR: statusWith(c.index, c.value)}).SSR
		if got := meaningOf(t, ssr.Fields, c.field); got != c.want {
			t.Errorf("%s in 0x%02x: got %q, want %q", c.field, c.value, got, c.want)
		}
	}
}

// TestSSRMeanings follows the Physical Layer Specification 4.10, 4.10.2; PERFORMANCE_ENHANCE and VSC_AU_SIZE are from memory.
func TestSSRMeanings(t *testing.T) {
	for _, c := range []struct {
		field string
		index int
		value byte
		want  string
	}{
		{"DAT_BUS_WIDTH", 0, 0x80, "4 bits"},
		{"DAT_BUS_WIDTH", 0, 0x40, "reserved code 0x01"},
		{"SECURED_MODE", 0, 0x20, "in the secured mode"},
		{"SD_CARD_TYPE", 3, 1, "is read-only (ROM)"},
		{"SD_CARD_TYPE", 3, 9, "reserved code 0x09"},
		{"PERFORMANCE_MOVE", 9, 2, "2 MB/s"},
		{"PERFORMANCE_MOVE", 9, 0xff, "infinite"},
		{"ERASE_SIZE", 11, 0, "no time is promised for an erase"},
		{"ERASE_SIZE", 12, 8, "8 allocation units"},
		{"ERASE_TIMEOUT", 13, 0xfc, "63 s for ERASE_SIZE units"},
		{"ERASE_OFFSET", 13, 3, "3 s more for any erase"},
		{"VSC_AU_SIZE", 17, 8, "8 MB"},
		{"PERFORMANCE_ENHANCE", 22, 0, "none"},
		{"PERFORMANCE_ENHANCE", 22, 0xfd, "maintains itself, cache, command queue of code 31"},
		{"DISCARD_SUPPORT", 24, 2, "supported"},
		{"FULE_SUPPORT", 24, 1, "supported"},
		{"reserved", 10, 0x0f, "0, as reserved bits are"}, // the first of that name lies in byte 1
		{"reserved", 1, 0x0f, "reserved bits that are not 0"},
	} {
		status := statusWith(c.index, c.value)
		ssr := identity.Decode(&identity.Raw{SSR: status}).SSR
		if got := meaningOf(t, ssr.Fields, c.field); got != c.want {
			t.Errorf("%s with 0x%02x in byte %d: got %q, want %q", c.field, c.value, c.index, got, c.want)
		}
		if ssr.Discard != (c.field == "DISCARD_SUPPORT") {
			t.Errorf("%s: discard is %v", c.field, ssr.Discard)
		}
		expectWhole(t, status, ssr.Fields)
	}
}

// TestEachByteOfTheStatusReachesAField flips every byte: some field must tell it.
func TestEachByteOfTheStatusReachesAField(t *testing.T) {
	empty := identity.Decode(&identity.Raw{SSR: make([]byte, 64)}).SSR
	for index := range 64 {
		ssr := identity.Decode(&identity.Raw{SSR: statusWith(index, 0xff)}).SSR
		if slices.Equal(ssr.Fields, empty.Fields) {
			t.Errorf("byte %d is told by no field", index)
		}
	}
	if _, ok := identity.Decode(&identity.Raw{SSR: statusWith(63, 0xff)}).SSR.Value("no such field"); ok {
		t.Error("a field of no name has a value")
	}
	if _, ok := identity.Decode(&identity.Raw{SSR: slices.Repeat([]byte{0xff}, 64)}).SSR.Value("reserved for the manufacturer"); ok {
		t.Error("312 bits fit into a number")
	}
}
