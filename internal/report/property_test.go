package report_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
)

// everyRun gives a run of each verdict, pace, operation and failure, with more or less known about it.
func everyRun() (runs []logbook.Run) {
	verdicts := []logbook.Verdict{logbook.Intact, logbook.Damaged, logbook.Unfinished, logbook.Refused}
	paces := []flash.Pace{
		"", flash.PaceBelowFloor, flash.PaceBelowClaim, flash.PaceBelowPeers, flash.PaceAsClaimed, flash.PaceAsPeers,
		flash.PaceAsAsked, flash.PaceUnjudged,
	}
	failures := []*logbook.Failure{nil, {}}
	classes := []logbook.Class{
		logbook.ClassRefused, logbook.ClassSource, logbook.ClassCard, logbook.ClassInterrupted,
	}
	for _, step := range []flash.Step{
		flash.StepOpen, flash.StepSource, flash.StepClear, flash.StepBody, flash.StepProof, flash.StepFiles, flash.StepHead,
		flash.StepInspect,
	} {
		for _, class := range classes {
			failures = append(failures, &logbook.Failure{Step: step, Cause: "input/output error", Class: class})
		}
	}
	for _, base := range []logbook.Run{intact(""), sparing(""), belowClaim(""), onSlowBus(""), wrapped("node-08"), gone("x"), checked("node-07"), refused(), {}, hollow()} {
		for _, verdict := range verdicts {
			for _, pace := range paces {
				for _, failure := range failures {
					run := base
					run.Verdict, run.Pace, run.Error = verdict, pace, failure
					runs = append(runs, run)
				}
			}
		}
	}
	return runs
}

// hollow is a run whose parts are there but empty, or hold no number.
func hollow() logbook.Run {
	run := intact("")
	nan := math.NaN()
	run.PaceReason = ""
	run.Write = &flash.Figures{SustainedBytesPerSecond: math.Inf(1), WindowLowBytesPerSecond: &nan}
	run.TimeToFlashSeconds, run.SourceWaitSeconds, run.TimeToProvenSeconds = &nan, &nan, nil
	run.Proof.BytesPerSecond = math.Inf(1)
	run.Table = &partition.Table{Kind: partition.SchemeNone}
	run.Findings = []partition.Finding{{Severity: partition.Fault, Code: "odd"}}
	return run
}

func TestEveryOutcomeReadsWell(t *testing.T) {
	for _, run := range everyRun() {
		d := document(run)
		text := printed(t, d)
		if run.Verdict != "" && !strings.Contains(text, strings.ToUpper(string(run.Verdict))) {
			t.Errorf("%s is not told:\n%s", run.Verdict, text)
		}
		if !strings.Contains(text, "Next:  ") {
			t.Errorf("no next step is told:\n%s", text)
		}
		checkReadable(t, text)
		checkReadable(t, printed(t, document(run, intact("a"), run)))
		var record bytes.Buffer
		if err := report.Record(&record, &logbook.Record{Run: run}, nil); err != nil {
			t.Fatal(err)
		}
		checkReadable(t, record.String())
		if t.Failed() {
			return
		}
	}
}

func printed(t *testing.T, d report.Document) string {
	t.Helper()
	var w bytes.Buffer
	if err := report.Text(&w, d); err != nil {
		t.Fatal(err)
	}
	return w.String()
}

// checkReadable looks for what a hole in the data leaves behind in a sentence.
func checkReadable(t *testing.T, text string) {
	t.Helper()
	for _, hole := range []string{
		"()", "[]", "\"\"", "NaN", "Inf", "%!", "<nil>", " ,", " ;", " :", ": ;", ":.", ", ,", ",,", "counterfeit", "?",
	} {
		if strings.Contains(text, hole) {
			t.Errorf("%q in:\n%s", hole, text)
		}
	}
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		if utf8.RuneCountInString(line) > 80 || strings.TrimRight(line, " ") != line {
			t.Errorf("%q is wider than a screen, or ends in a space", line)
		}
	}
}

func TestOneCardFitsTheScreen(t *testing.T) {
	long := strings.Repeat("a rather long cause ", 20)
	for _, expected := range []source.Expected{source.Matched, source.Mismatched, source.Absent} {
		worst := wrapped("a label of the lab, second shelf")
		failed := gone("node-11")
		failed.Error.Cause, failed.PaceReason = long, long
		failed.Findings, failed.Table, failed.SourceWaitSeconds = worst.Findings, worst.Table, worst.SourceWaitSeconds
		sound := slow("node-09")
		sound.Proof.FromMedium = false
		sound.Findings, sound.Table, sound.SourceWaitSeconds = worst.Findings, gpt(), at(40.0)
		sound.Write.Stalls = worst.Write.Stalls
		for name, run := range map[string]logbook.Run{"wrapped": worst, "failed": failed, "slow": sound} {
			d := document(run)
			d.Image.Expected = expected
			d.Image.Name = "a-board-system-2026-03-01-arm64-lite.img.xz"
			text := printed(t, d)
			if lines := strings.Count(text, "\n"); lines > 24 {
				t.Errorf("%s, %s takes %d lines:\n%s", name, expected, lines, text)
			}
		}
	}
}

func TestWhatACardSaysCannotSteerTheTerminal(t *testing.T) {
	run := wrapped("\x1b[31mred\x07")
	run.Device = "/dev/\u202esdb"
	run.Table.ID, run.Table.Partitions[0].FileSystem.Label = "\x9b2J", "one\ntwo\x00"
	run.Findings[0].Evidence, run.Findings[0].Sentence = "\x1b]0;title\x07", "\r\x1b[A"
	run.Error = &logbook.Failure{Step: "body\x1b", Cause: "\x1b[2J"}
	run.Proof.Damage[0].Partition = "\x1b[1m"
	d := document(run)
	d.Image.Name = "\x1b[5m.img"
	var all bytes.Buffer
	record := logbook.Record{Run: run, Image: d.Image}
	for _, err := range []error{
		report.Text(&all, d), report.Text(&all, document(run, run)), report.Table(&all, run.Table),
		report.Records(&all, []logbook.Record{record}), report.Record(&all, &record, nil),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, r := range all.String() {
		if r < ' ' && r != '\n' || r >= 0x7f && r < 0xa0 || r == '\u202e' {
			t.Fatalf("%q was printed in:\n%q", r, all.String())
		}
	}
}

// The names are the written contract of "flash --json" and "inspect --json".
func TestJSONHoldsTheAgreedNames(t *testing.T) {
	contract := map[string]string{
		"":                                      "program_version started_at exit_code image cards",
		"image":                                 "name format packed_bytes image_bytes packed_sha256 image_sha256 expected",
		"cards.0":                               "device label card_id run_id verdict pace pace_reason time_to_flash_s time_to_proven_s source_wait_s write proof table findings error",
		"cards.0.write":                         "bytes busy_s sustained_bytes_per_s window_low_bytes_per_s window_p5_bytes_per_s window_median_bytes_per_s direct stalls cliff",
		"cards.0.proof":                         "bytes seconds bytes_per_s from_medium true_size_bytes damage",
		"cards.0.table":                         "kind id sector_bytes size_bytes filesystem partitions findings",
		"cards.0.error":                         "step offset_bytes cause",
		"cards.0.write.stalls.0":                "offset_bytes seconds",
		"cards.0.write.cliff":                   "offset_bytes before_bytes_per_s after_bytes_per_s",
		"cards.0.proof.damage.0":                "offset_bytes length_bytes kind from_bytes partition",
		"cards.0.table.partitions.0":            "number start_lba sectors type name guid boot filesystem",
		"cards.0.table.partitions.0.filesystem": "kind label uuid size_bytes",
		"cards.0.table.findings.0":              "code severity sentence evidence",
	}
	run := wrapped("node-08")
	run.Error = gone("").Error
	var w bytes.Buffer
	if err := report.JSON(&w, document(run)); err != nil {
		t.Fatal(err)
	}
	var root any
	if err := json.Unmarshal(w.Bytes(), &root); err != nil {
		t.Fatal(err)
	}
	for path, names := range contract {
		object, ok := descend(root, path).(map[string]any)
		if !ok {
			t.Errorf("%s is no object", path)
		}
		for name := range strings.FieldsSeq(names) {
			if _, there := object[name]; !there {
				t.Errorf("%s has no %s", path, name)
			}
		}
	}
}

// descend follows names and numbers into a document.
func descend(value any, path string) any {
	if path == "" {
		return value
	}
	for name := range strings.SplitSeq(path, ".") {
		switch inner := value.(type) {
		case map[string]any:
			value = inner[name]
		case []any:
			var i int
			if _, err := fmt.Sscan(name, &i); err != nil || i >= len(inner) {
				return nil
			}
			value = inner[i]
		}
	}
	return value
}

func TestJSONListsAreNeverNull(t *testing.T) {
	bare := intact("")
	bare.Table = &partition.Table{}
	var all bytes.Buffer
	stamp := report.Stamp{}
	for _, err := range []error{
		report.JSON(&all, document(bare)), report.JSON(&all, document()), report.TableJSON(&all, stamp, &partition.Table{}),
		report.RecordsJSON(&all, stamp, nil), report.RecordsJSON(&all, stamp, []logbook.Record{{Run: bare}}),
		report.RecordJSON(&all, stamp, &logbook.Record{Run: bare}, nil),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, name := range []string{"cards", "findings", "stalls", "damage", "partitions", "runs", "trace"} {
		if strings.Contains(all.String(), `"`+name+`": null`) || !strings.Contains(all.String(), `"`+name+`": []`) {
			t.Errorf("%s is null, or missing", name)
		}
	}
	if bare.Findings != nil || bare.Write.Stalls != nil || bare.Table.Partitions != nil {
		t.Error("printing changed what it was given")
	}
}

func TestSourceIsTheLimitAboveATenth(t *testing.T) {
	for wait, want := range map[float64]bool{1.98: false, 2.0: true} { // of 19.8 s
		run := intact("")
		run.SourceWaitSeconds = at(wait)
		if got := strings.Contains(printed(t, document(run)), "for the source"); got != want {
			t.Errorf("waiting %v s of 19.8 s: told %v", wait, got)
		}
	}
}
