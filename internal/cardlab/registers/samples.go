package registers

import (
	"fmt"
	"slices"
	"strings"
)

// A sample is a sound card that nobody makes.
type sample struct {
	name  string
	parts Parts
}

// SampleNames lists the samples, the smallest first.
func SampleNames() []string {
	var names []string
	for _, s := range samples() {
		names = append(names, s.name)
	}
	return names
}

// Sample gives a sound card by its name. The error is an ErrName.
func Sample(name string) (Set, error) {
	for _, s := range samples() {
		if s.name == name {
			return s.parts.Encode()
		}
	}
	return Set{}, fmt.Errorf("%w: %q is none of the samples %s", ErrName, name, strings.Join(SampleNames(), ", "))
}

func samples() []sample {
	return slices.Concat(sampleSD(), sampleLargeSD(), []sample{sampleEMMC()})
}

// invented is no maker: an id and letters that stand for nobody.
func invented(name string, serial uint32, year, month int) CID {
	return CID{
		ManufacturerID: 0x7F, OEM: "ZZ", Name: name, RevisionMajor: 1, RevisionMinor: 2, Serial: serial,
		Year: year, Month: month,
	}
}

func sampleSD() []sample {
	standard := CSD1{
		CSDCommon{
			AccessTimeCode: 0x26, TransferRateCode: 0x32, CommandClasses: 0x5B5, ReadBlockLog2Bytes: 9, ReadBlockPartial: true,
			WriteProtectGroupEnabled: true, WriteFactorLog2: 4, WriteBlockLog2Bytes: 9,
		},
		CSDErase{EraseBlockEnabled: true, EraseSectorBlocksLessOne: 0x1F, WriteProtectGroupSectorsLessOne: 0x7F},
		CSDBlocks{
			Size: 3839, SizeMultLog2: 7,
			ReadMinCurrent: 5, ReadMaxCurrent: 5, WriteMinCurrent: 5, WriteMaxCurrent: 5,
		},
	}
	high := units(30_387)
	return []sample{
		{"sdsc", Parts{
			Kind: SDSC, SizeBytes: standard.CapacityBytes(), CID: invented("TESTA", 0x2A5177E4, 2009, 8), CSD: standard,
			SCR: SCR{Spec: 2, Security: 2, BusWidths: 5},
			SSR: SSR{BusWidth: 2, ProtectedArea: 0x28, SpeedClassCode: 2, MoveMBPerSecond: 2, AUCode: 6},
		}},
		{"sdhc", Parts{
			Kind: SDHC, SizeBytes: high.CapacityBytes(), CID: invented("TESTB", 0x8C6230D9, 2014, 3), CSD: high,
			SCR: SCR{Spec: 2, Security: 3, BusWidths: 5, Spec3: true, CommandSupport: 3},
			SSR: SSR{
				BusWidth: 2, ProtectedArea: 48 << 20, SpeedClassCode: 4, AUCode: 9,
				EraseAUs: 8, EraseTimeoutSeconds: 1, EraseOffsetSeconds: 1, UHSGrade: 1, UHSAUCode: 9,
			},
		}},
	}
}

func sampleLargeSD() []sample {
	fast := SSR{
		BusWidth: 2, ProtectedArea: 128 << 20, SpeedClassCode: 4, AUCode: 12, EraseAUs: 15, EraseTimeoutSeconds: 2,
		EraseOffsetSeconds: 1, UHSGrade: 3, UHSAUCode: 12, VideoClass: 30, VideoAUMB: 16, AppClass: 1,
	}
	queued := fast
	queued.AppClass, queued.PerformanceEnhance, queued.Discard, queued.FULE = 2, 31<<3|1<<2, true, true
	extended, larger := units(121_856), units(243_712)
	ultra := CSD3(units(8_388_608))
	return []sample{
		{"sdxc", Parts{
			Kind: SDXC, SizeBytes: extended.CapacityBytes(), CID: invented("TESTC", 0xD41B3F86, 2018, 5), CSD: extended,
			SCR: SCR{Spec: 2, Security: 4, BusWidths: 5, Spec3: true, SpecX: 1, CommandSupport: 3},
			SSR: fast,
		}},
		{"sdxc-a2", Parts{
			Kind: SDXC, SizeBytes: larger.CapacityBytes(), CID: invented("TESTD", 0x613E0A5B, 2020, 11), CSD: larger,
			SCR: SCR{Spec: 2, Security: 4, BusWidths: 5, Spec3: true, SpecX: 2, CommandSupport: 15},
			SSR: queued,
		}},
		{"sduc", Parts{
			Kind: SDUC, SizeBytes: ultra.CapacityBytes(), CID: invented("TESTE", 0xB7094C2D, 2023, 6), CSD: ultra,
			SCR: SCR{Spec: 2, BusWidths: 5, Spec3: true, Spec4: true, SpecX: 3, CommandSupport: 15},
			SSR: queued,
		}},
	}
}

// units is the CSD of a card of so many units of 512 KiB.
func units(count uint32) CSD2 {
	common, erase := FixedCSD()
	return CSD2{common, erase, count - 1}
}

func sampleEMMC() sample {
	return sample{"emmc", Parts{
		Kind: EMMC, SizeBytes: 14_912 * UnitBytes,
		EMMCCID: EMMCCID{
			ManufacturerID: 0x7F, Form: 1, OEM: 'Z', Name: "TESTMM", Revision: 8, Serial: 0x95E2187C, Month: 4, Year: 2021,
		},
		EMMCCSD: EMMCCSD{
			CSDCommon: CSDCommon{
				AccessTimeCode: 0x27, AccessHundredClocks: 1, TransferRateCode: 0x32, CommandClasses: 0x0F5, ReadBlockLog2Bytes: 9,
				WriteProtectGroupEnabled: true, WriteFactorLog2: 3, WriteBlockLog2Bytes: 9,
			},
			CSDBlocks: CSDBlocks{
				Size: 0xFFF, SizeMultLog2: 7,
				ReadMinCurrent: 6, ReadMaxCurrent: 6, WriteMinCurrent: 6, WriteMaxCurrent: 6,
			},
			Structure: 3, SpecVersion: 4, EraseGroupUnitsLessOne: 31, EraseGroupMultLessOne: 31, WriteProtectGroupSectorsLessOne: 15,
		},
		ExtCSD: ExtCSD{Revision: 8, FirmwareVersion: 0x0700000000000000, PreEOL: 1, LifeTimeA: 2, LifeTimeB: 1},
	}}
}
