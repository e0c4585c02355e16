package report_test

import (
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
	"cardwright/verify"
)

func at[T any](value T) *T { return &value }

// startedAt is a time with a zone of its own, so that local time shows.
func startedAt() time.Time { return time.Date(2026, 3, 4, 22, 15, 30, 0, time.UTC) }

func image() source.Facts {
	return source.Facts{
		Name: "board-mbr.img.xz", Format: source.FormatXZ, PackedBytes: 35_383_656, ImageBytes: 415_236_096,
		PackedSHA256: "20f87d42560e9a0a61d4bb30a5f1696758b06d00b157fce5a09d8abd79de5d35",
		ImageSHA256:  "b5e43bc85b8995bf35e42dc8899c5804766c64e5bd39e2dad2b078983380163b",
		Expected:     source.Matched,
	}
}

// mbr is a table as sfdisk -J and blkid (util-linux 2.38) tell it of a board image.
func mbr() *partition.Table {
	return &partition.Table{
		Kind: partition.SchemeMBR, ID: "5eedca4d", SectorBytes: 512, SizeBytes: 31_914_983_424,
		Partitions: []partition.Partition{
			{Number: 1, StartLBA: 8192, Sectors: 131072, Type: "0c", Boot: true, FileSystem: &partition.FileSystem{
				Kind: "fat32", Label: "BOOTFS", UUID: "0BAD-CAFE", SizeBytes: 67_108_864,
			}},
			{Number: 2, StartLBA: 139264, Sectors: 671744, Type: "83", FileSystem: &partition.FileSystem{
				Kind: "ext4", Label: "rootfs", UUID: "6f1d7a3c-2b54-4c0e-9d27-0c5a51e9b7aa", SizeBytes: 343_932_928,
			}},
		},
		Findings: []partition.Finding{{
			Code: "room-behind", Severity: partition.Information,
			Sentence: "the card is larger than the image", Evidence: "31499747328 bytes are free",
		}},
	}
}

// gpt is a table as sgdisk (1.0.9) and blkid tell it of a board image.
func gpt() *partition.Table {
	return &partition.Table{
		Kind: partition.SchemeGPT, ID: "7B0C2A1E-5E5F-4E6B-9B7E-1F0C2D3E4F50", SectorBytes: 512, SizeBytes: 167_772_160,
		Partitions: []partition.Partition{
			{
				Number: 1, StartLBA: 2048, Sectors: 69632, Type: "C12A7328-F81F-11D2-BA4B-00A0C93EC93B", Name: "firmware",
				GUID:       "11111111-2222-4333-8444-555555555501",
				FileSystem: &partition.FileSystem{Kind: "fat32", Label: "FIRMWARE", UUID: "1234-ABCD"},
			},
			{
				Number: 2, StartLBA: 71680, Sectors: 204800, Type: "B921B045-1DF0-41C3-AF44-4C6F280D3FAE", Name: "rootfs-a",
				GUID: "11111111-2222-4333-8444-555555555502",
				FileSystem: &partition.FileSystem{
					Kind: "ext4", Label: "rootfs-a", UUID: "22222222-3333-4444-8555-666666666601",
				},
			},
			{
				Number: 3, StartLBA: 276480, Sectors: 51167, Type: "0FC63DAF-8483-4772-8E79-3D69D8477DE4", Name: "data",
				GUID: "11111111-2222-4333-8444-555555555503",
			},
		},
		Findings: []partition.Finding{{
			Code: "gpt-backup-misplaced", Severity: partition.Warning,
			Sentence: "the backup of the table does not lie at the end of the medium", Evidence: "LBA 327679 of 62333951",
		}},
	}
}

// intact is a good flash.
func intact(label string) logbook.Run {
	return logbook.Run{
		Device: "/dev/sdb", Label: label, CardID: 7, RunID: 41, Operation: logbook.OperationFlash, StartedAt: startedAt(),
		Verdict: logbook.Intact, Pace: flash.PaceAsPeers, PaceReason: "21.9 MB/s is within what its peers reach",
		TimeToFlashSeconds: at(19.8), TimeToProvenSeconds: at(25.1), SourceWaitSeconds: at(0.8),
		Write: &flash.Figures{
			Bytes: 415_236_096, BusySeconds: 19, SustainedBytesPerSecond: 21_854_531, Direct: true,
			WindowLowBytesPerSecond: at(17.2e6), WindowP5BytesPerSecond: at(18e6), WindowMedianBytesPerSecond: at(22.1e6),
		},
		Proof: &verify.Proof{Bytes: 415_236_096, Seconds: 5.3, BytesPerSecond: 78_346_433, FromMedium: true},
		Table: mbr(),
		Conditions: logbook.Conditions{
			ReaderModel: "bench reader", PortPath: "1-1.2", LinkSpeed: "480", Kernel: "6.1.0", ProgramVersion: "0.1.0",
			Direct: true, CardsAtOnce: 3, CardSizeBytes: 31_914_983_424, PeersCount: 7, PeersMedian: 22.4e6, PeersSpread: 1.3e6,
		},
	}
}

// wrapped is a card that holds less than it states; it has everything to tell that a damaged card can ordinarily have.
func wrapped(label string) logbook.Run {
	run := intact(label)
	run.Device = "/dev/sdc"
	run.Verdict, run.Pace, run.PaceReason = logbook.Damaged, flash.PaceUnjudged, "the source was the limit"
	run.SourceWaitSeconds = at(6.2)
	run.Write.Stalls = []flash.Stall{{OffsetBytes: 4 << 20, Seconds: 0.9}, {OffsetBytes: 8 << 20, Seconds: 1.42}}
	run.Write.Cliff = &flash.Cliff{OffsetBytes: 134_217_728, BeforeBytesPerSecond: 31.2e6, AfterBytesPerSecond: 9.1e6}
	run.Proof.TrueSizeBytes = at(int64(268_435_456))
	run.Proof.Damage = nil
	for i := range int64(9) {
		run.Proof.Damage = append(run.Proof.Damage, verify.Damage{
			OffsetBytes: 4<<20 + i*(16<<20), LengthBytes: 4 << 20, Kind: verify.KindDisplaced,
			FromBytes: at(272_629_760 + i*(16<<20)), Partition: "partition 1 (fat32 \"BOOTFS\")",
		})
	}
	run.Proof.Damage[1].Kind, run.Proof.Damage[1].FromBytes = verify.KindUnstable, nil
	run.Proof.FromMedium = false
	run.Conditions.CacheDropComplaint = "the kernel's cache could not be dropped: operation not permitted"
	run.Table.Partitions = append(run.Table.Partitions, gpt().Partitions...)
	run.Findings = append(gpt().Findings, partition.Finding{
		Code: "beyond-end", Severity: partition.Fault, Sentence: "a partition ends beyond the end of the medium",
		Evidence: "partition 5 ends at LBA 327646",
	})
	return run
}

// gone is a card that was pulled.
func gone(label string) logbook.Run {
	run := intact(label)
	run.Device = "/dev/sdd"
	run.Verdict, run.Pace, run.PaceReason = logbook.Unfinished, flash.PaceUnjudged, "the run did not get far enough"
	run.TimeToFlashSeconds, run.TimeToProvenSeconds, run.SourceWaitSeconds = nil, nil, nil
	run.Write = &flash.Figures{Bytes: 96 << 20, BusySeconds: 5, SustainedBytesPerSecond: 20_132_659, Direct: true}
	run.Proof, run.Table = nil, nil
	run.Error = &logbook.Failure{
		Step: flash.StepBody, OffsetBytes: 100 << 20, Cause: "the card is gone: no such device", Class: logbook.ClassCard,
	}
	return run
}

// checked is a card in use that was checked again.
func checked(label string) logbook.Run {
	run := intact(label)
	run.Operation, run.Verdict, run.Pace, run.PaceReason = logbook.OperationCheck, logbook.Damaged, "", ""
	run.TimeToFlashSeconds, run.SourceWaitSeconds, run.Write = nil, nil, nil
	run.Proof.Damage = []verify.Damage{{
		OffsetBytes: 72 << 20, LengthBytes: 8 << 20, Kind: verify.KindChanged, Partition: "partition 2 (ext4 \"rootfs\")",
	}}
	return run
}

// refused is a target that may not be written.
func refused() logbook.Run {
	return logbook.Run{
		Device: "/dev/sda", Operation: logbook.OperationFlash, StartedAt: startedAt(), Verdict: logbook.Refused,
		Error: &logbook.Failure{Step: flash.StepOpen, Cause: "/dev/sda1 is mounted at /", Class: logbook.ClassRefused},
	}
}

// slow is an intact card that its operator should know more of.
func slow(label string) logbook.Run {
	run := intact(label)
	run.Device = "/dev/sde"
	run.Pace, run.PaceReason = flash.PaceBelowPeers, "9.13 MB/s is under half the median of its peers"
	run.Write.SustainedBytesPerSecond, run.TimeToFlashSeconds = 9_128_000, at(45.5)
	run.TimeToProvenSeconds = at(50.9)
	run.Write.Cliff = &flash.Cliff{OffsetBytes: 134_217_728, BeforeBytesPerSecond: 31.2e6, AfterBytesPerSecond: 6.85e6}
	return run
}

// belowClaim is an intact card that does not keep what is printed on it.
func belowClaim(label string) logbook.Run {
	run := intact(label)
	run.Pace, run.PaceReason = flash.PaceBelowClaim, "21.85 MB/s is under the 30 MB/s that U3, V30 promise"
	c := &run.Conditions
	c.Claim, c.ClaimBytesPerSecond, c.ClaimSource = "U3, V30", 30e6, logbook.ClaimPrinted
	c.BusMode, c.BusBytesPerSecond = "USB at 480 Mbit/s", 53_248_000
	return run
}

// onSlowBus is an intact card whose bus was the limit, so that its floor stays open.
func onSlowBus(label string) logbook.Run {
	run := intact(label)
	run.Pace = flash.PaceUnjudged
	run.PaceReason = "21.85 MB/s is under the floor of 30.00 MB/s, but the bus (sd high-speed, 25.00 MB/s at the most) may have been the limit"
	c := &run.Conditions
	c.FloorBytesPerSecond = 30e6
	c.Claim, c.ClaimBytesPerSecond, c.ClaimSource = "C10, U1", 10e6, logbook.ClaimByRegisters
	c.BusMode, c.BusBytesPerSecond, c.BusWasTheLimit = "sd high-speed", 25e6, true
	c.PortPath, c.LinkSpeed, c.CardRegisterCID = "mmc0", "", "7f5a5a54455354316212345678001491"
	return run
}

// sparing is a run that left the image's free space out.
func sparing(label string) logbook.Run {
	run := intact(label)
	run.Write.Bytes, run.Write.SkippedBytes = 211_812_352, 203_423_744
	run.Proof.Bytes = run.Write.Bytes
	run.Conditions.SkipFree, run.Conditions.Discard = true, true
	return run
}

func document(cards ...logbook.Run) report.Document {
	return report.Document{Stamp: report.Stamp{ProgramVersion: "0.1.0", StartedAt: startedAt()}, Image: image(), Cards: cards}
}
