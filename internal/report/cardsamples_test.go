package report_test

import (
	"testing/fstest"
	"time"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
)

// decoded are the registers of a card whose text a folder holds.
func decoded(files map[string]string) *identity.Card {
	folder := fstest.MapFS{}
	for name, content := range files {
		folder[name] = &fstest.MapFile{Data: []byte(content + "\n")}
	}
	raw, err := identity.ReadFolder(folder)
	if err != nil {
		panic(err)
	}
	return identity.Decode(raw)
}

// realCard has the registers of a real card, as the test file of an open-source SD library gives them.
func realCard() *identity.Card {
	const ssr = "80000000030000000202900008070000"
	zeros := make([]byte, 128-len(ssr))
	for i := range zeros {
		zeros[i] = '0'
	}
	return decoded(map[string]string{
		"type": "SD", "cid": "015041593038414713daa1bff401252e", "csd": "400e00325b59000039b37f800a4000f8",
		"scr": "0235800001000000", "ssr": ssr + string(zeros),
	})
}

// module is an invented eMMC module.
func module() *identity.Card {
	return decoded(map[string]string{
		"type": "MMC", "cid": "1501004d4f44554c4501123456785a00", "life_time": "0x02 0x01", "pre_eol_info": "0x01", "rev": "0x8",
	})
}

// identified is a real card in a slow slot, with all there is to tell of it.
func identified() *report.Identity {
	known := record()
	return &report.Identity{
		Device: "/dev/mmcblk0", Card: realCard(), SizeBytes: 7_744_782_336, BusMode: "sd legacy", BusBytesPerSecond: 3.125e6,
		Maker: "Example Cards", Known: &known, ProductCards: []logbook.CardRecord{{CardID: 9}},
		Findings: []partition.Finding{
			{Code: "date-odd", Severity: partition.Information, Sentence: "A hint.", Evidence: "evidence"},
			{Code: "same-identity-twice", Severity: partition.Warning, Sentence: "Another card says that it is this one.", Evidence: "/dev/mmcblk1"},
		},
	}
}

// hidden is a card behind a USB reader.
func hidden() *report.Identity {
	return &report.Identity{
		Device: "/dev/sdb", Hidden: "a USB reader hides them.", SizeBytes: 31_914_983_424, BusMode: "USB at 480 Mbit/s",
		BusBytesPerSecond: 60e6, Printed: identity.Claims{UHSGrade: 3, VideoClass: 30, AppClass: 1},
	}
}

// record is a card of the logbook that everything is known of.
func record() logbook.CardRecord {
	return logbook.CardRecord{
		CardID: 7, Label: "attic-07", Labels: []string{"attic-07", "barn-01"}, CID: "015041593038414713daa1bff401252e",
		Maker: "Example Cards", SizeBytes: 7_744_782_336, Runs: 2,
		Registers: &logbook.Registers{
			Kind: logbook.KindSD, CID: "015041593038414713daa1bff401252e", CapacityBytes: 7_744_782_336, AUBytes: 4 << 20, SpeedClass: 4,
		},
		Facts: map[string]string{
			logbook.FactPrice: "7.90", logbook.FactCurrency: "EUR", logbook.FactSeries: "Example 8", logbook.FactSeller: "a market stall",
			logbook.FactBought: "2026-01-31", logbook.FactRated: "C4", logbook.FactNote: "box 3",
		},
		LastRun: &logbook.RunSummary{RunID: 42, Operation: logbook.OperationCheck, Verdict: logbook.Damaged},
		LastFlash: &logbook.RunSummary{
			RunID: 41, Operation: logbook.OperationFlash, Verdict: logbook.Intact, Pace: flash.PaceAsClaimed,
			SustainedBytesPerSecond: at(9.13e6),
		},
		LastCapacity: &logbook.CapacitySummary{CheckID: 3, Mode: "quick", Verdict: logbook.CapacityTrue},
	}
}

// unflashed is a card that was bought, and no more.
func unflashed() logbook.CardRecord {
	return logbook.CardRecord{CardID: 8, Label: "a label that is too long", Facts: map[string]string{logbook.FactNote: "spare"}}
}

func cardPage() *report.CardPage {
	return &report.CardPage{
		Card: record(),
		History: []logbook.CardFact{
			{Name: logbook.FactPrice, Value: "8.90", NotedAt: startedAt()},
			{Name: logbook.FactPrice, Value: "7.90", NotedAt: startedAt().Add(time.Hour)},
			{Name: logbook.FactNote, NotedAt: startedAt().Add(2 * time.Hour)},
		},
		Runs: []logbook.Record{{Run: checked("attic-07"), Image: image()}, {Run: intact("attic-07"), Image: image()}},
		Checks: []logbook.CapacityRecord{
			{CheckID: 3, StartedAt: startedAt(), Mode: "quick", Verdict: logbook.CapacityTrue, TrueBytes: at(int64(7_744_782_336)), Closed: true},
			{CheckID: 2, StartedAt: startedAt(), Mode: "full"},
		},
	}
}

// sound is a card that a quick check found nothing against.
func sound() report.CapacityDocument {
	const size = 31_914_983_424
	return report.CapacityDocument{
		CapacityCheck: logbook.CapacityCheck{
			Device: "/dev/sdb", Label: "attic-07", CardID: 7, CheckID: 3,
			Result: capacity.Result{
				ClaimedBytes: size, TrueBytes: at(int64(size)), Verdict: capacity.True, Mode: capacity.ModeQuick, RandomPlaces: 200,
				ChanceToMiss: 0.134, MissingFraction: capacity.MissingFraction, Restored: at(true), Seed: "seed", Seconds: 23.4,
			},
		},
	}
}

// short is a card that wraps round at a half of what it states.
func short() report.CapacityDocument {
	d := sound()
	d.Result.Verdict, d.Result.TrueBytes = capacity.Short, at(int64(15_957_491_712))
	for i := range int64(6) {
		d.BadRanges = append(d.BadRanges, capacity.Range{
			OffsetBytes: 15_957_491_712 + i<<30, LengthBytes: 512, Kind: capacity.Wrapped, FromBytes: i << 30,
		})
	}
	d.RangesLeftOut, d.Restored, d.Rescue = 2, at(false), "capacity/rescue-2"
	d.Leftover = &capacity.Leftover{
		PutBack: []string{"capacity/rescue-1"}, NotWhole: []string{"capacity/rescue-0"}, Elsewhere: []string{"capacity/rescue-3"},
		InUse: []string{"capacity/rescue-4"},
	}
	return d
}

// rotten is a card that a full check found unreliable.
func rotten() report.CapacityDocument {
	d := sound()
	d.Result.Verdict, d.Result.TrueBytes, d.Result.Mode, d.Result.Restored = capacity.Unreliable, nil, capacity.ModeFull, nil
	d.RandomPlaces, d.ChanceToMiss, d.Seconds, d.ResumedAtBytes = 0, 0, 3712, 12<<30
	kinds := []capacity.Kind{
		capacity.Changed, capacity.Swapped, capacity.Dropped, capacity.Stale, capacity.Unreadable, capacity.Unwritable,
	}
	for i, kind := range kinds {
		d.BadRanges = append(d.BadRanges, capacity.Range{OffsetBytes: int64(i) << 30, LengthBytes: 4096, Kind: kind, FromBytes: 8192})
	}
	d.Write = intact("").Write
	d.Write.Cliff = &flash.Cliff{OffsetBytes: 1 << 30, BeforeBytesPerSecond: 31.2e6, AfterBytesPerSecond: 9.1e6}
	d.Read = &flash.Figures{Bytes: 31_914_983_424, SustainedBytesPerSecond: 78e6}
	for i := range int64(100) {
		d.WriteTrace = append(d.WriteTrace, capacity.Part{OffsetBytes: i * 319_149_834, BytesPerSecond: 31e6 - float64(i)*0.2e6})
	}
	return d
}

// stopped is a full check that the operator interrupted.
func stopped() report.CapacityDocument {
	d := sound()
	d.Result = capacity.Result{ClaimedBytes: d.ClaimedBytes, Mode: capacity.ModeFull, Seconds: 12, Write: intact("").Write}
	d.Error = &logbook.Failure{Step: capacity.StepStamp, OffsetBytes: 8 << 20, Cause: "interrupted by the operator", Class: logbook.ClassInterrupted}
	return d
}
