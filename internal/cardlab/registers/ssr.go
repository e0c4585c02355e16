package registers

// The fields of the SSR, which the specification calls SD Status.
var (
	ssrBusWidth       = field{inSSR, "DAT_BUS_WIDTH", 511, 510}
	ssrSecured        = field{inSSR, "SECURED_MODE", 509, 509}
	ssrCardType       = field{inSSR, "SD_CARD_TYPE", 495, 480}
	ssrProtectedArea  = field{inSSR, "SIZE_OF_PROTECTED_AREA", 479, 448}
	ssrSpeedClass     = field{inSSR, "SPEED_CLASS", 447, 440}
	ssrMove           = field{inSSR, "PERFORMANCE_MOVE", 439, 432}
	ssrAU             = field{inSSR, "AU_SIZE", 431, 428}
	ssrEraseSize      = field{inSSR, "ERASE_SIZE", 423, 408}
	ssrEraseTimeout   = field{inSSR, "ERASE_TIMEOUT", 407, 402}
	ssrEraseOffset    = field{inSSR, "ERASE_OFFSET", 401, 400}
	ssrUHSGrade       = field{inSSR, "UHS_SPEED_GRADE", 399, 396}
	ssrUHSAU          = field{inSSR, "UHS_AU_SIZE", 395, 392}
	ssrVideoClass     = field{inSSR, "VIDEO_SPEED_CLASS", 391, 384}
	ssrVideoAU        = field{inSSR, "VSC_AU_SIZE", 377, 368}
	ssrSuspendAddress = field{inSSR, "SUS_ADDR", 367, 346}
	ssrAppClass       = field{inSSR, "APP_PERF_CLASS", 339, 336}
	ssrEnhance        = field{inSSR, "PERFORMANCE_ENHANCE", 335, 328}
	ssrDiscard        = field{inSSR, "DISCARD_SUPPORT", 313, 313}
	ssrFULE           = field{inSSR, "FULE_SUPPORT", 312, 312}
)

// An SSR tells an SD card's speed classes and units: 64 bytes, without a checksum.
type SSR struct {
	BusWidth            uint8  // DAT_BUS_WIDTH, 2 bits: 0 for 1 line, 2 for 4
	Secured             bool   // SECURED_MODE
	CardType            uint16 // SD_CARD_TYPE
	ProtectedArea       uint32 // SIZE_OF_PROTECTED_AREA, in bytes where the CSD is of structure 2.0
	SpeedClassCode      uint8  // SPEED_CLASS: 1, 2, 3, 4 for 2, 4, 6, 10 MB/s
	MoveMBPerSecond     uint8  // PERFORMANCE_MOVE
	AUCode              uint8  // AU_SIZE, 4 bits: 1 to 15 for 16 KiB to 64 MiB
	EraseAUs            uint16 // ERASE_SIZE
	EraseTimeoutSeconds uint8  // ERASE_TIMEOUT, 6 bits
	EraseOffsetSeconds  uint8  // ERASE_OFFSET, 2 bits
	UHSGrade            uint8  // UHS_SPEED_GRADE, 4 bits
	UHSAUCode           uint8  // UHS_AU_SIZE, 4 bits, as AUCode
	VideoClass          uint8  // VIDEO_SPEED_CLASS, in MB/s
	VideoAUMB           uint16 // VSC_AU_SIZE, 10 bits
	SuspendAddress      uint32 // SUS_ADDR, 22 bits
	AppClass            uint8  // APP_PERF_CLASS, 4 bits
	PerformanceEnhance  uint8  // PERFORMANCE_ENHANCE: depth of the queue, cache, maintenance
	Discard             bool   // DISCARD_SUPPORT
	FULE                bool   // FULE_SUPPORT, erasing of the full user area
}

// Encode gives the register. The error is an ErrField.
func (s SSR) Encode() ([]byte, error) {
	e := encode(inSSR)
	e.put(ssrBusWidth, uint64(s.BusWidth))
	e.flag(ssrSecured, s.Secured)
	e.put(ssrCardType, uint64(s.CardType))
	e.put(ssrProtectedArea, uint64(s.ProtectedArea))
	e.put(ssrSpeedClass, uint64(s.SpeedClassCode))
	e.put(ssrMove, uint64(s.MoveMBPerSecond))
	e.put(ssrAU, uint64(s.AUCode))
	e.put(ssrEraseSize, uint64(s.EraseAUs))
	e.put(ssrEraseTimeout, uint64(s.EraseTimeoutSeconds))
	e.put(ssrEraseOffset, uint64(s.EraseOffsetSeconds))
	e.put(ssrUHSGrade, uint64(s.UHSGrade))
	e.put(ssrUHSAU, uint64(s.UHSAUCode))
	e.put(ssrVideoClass, uint64(s.VideoClass))
	e.put(ssrVideoAU, uint64(s.VideoAUMB))
	e.put(ssrSuspendAddress, uint64(s.SuspendAddress))
	e.put(ssrAppClass, uint64(s.AppClass))
	e.put(ssrEnhance, uint64(s.PerformanceEnhance))
	e.flag(ssrDiscard, s.Discard)
	e.flag(ssrFULE, s.FULE)
	return e.done()
}
