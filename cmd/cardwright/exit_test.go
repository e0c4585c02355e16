package main

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/capacity"
	"cardwright/internal/device"
	"cardwright/internal/logbook"
)

// With several cards the worst applies, in the order 130, 1, 6, 5, 4, 3, 7, 0.
func TestWorstOfSeveralCards(t *testing.T) {
	order := []exitCode{130, 1, 6, 5, 4, 3, 7, 0}
	for i, worse := range order {
		for _, better := range order[i:] {
			if got := worst(better, worse, better); got != worse {
				t.Errorf("the worst of %d and %d is %d", worse, better, got)
			}
		}
	}
	if got := worst(); got != 0 {
		t.Errorf("the worst of none is %d", got)
	}
}

func TestCodeOfARun(t *testing.T) {
	failure := func(class logbook.Class) *logbook.Failure { return &logbook.Failure{Class: class} }
	for _, c := range []struct {
		name string
		run  logbook.Run
		want exitCode
	}{
		{"intact", logbook.Run{Verdict: logbook.Intact}, 0},
		{"intact but below floor", logbook.Run{Verdict: logbook.Intact, Pace: flash.PaceBelowFloor}, 7},
		{"intact but below peers", logbook.Run{Verdict: logbook.Intact, Pace: flash.PaceBelowPeers}, 0},
		{"damaged", logbook.Run{Verdict: logbook.Damaged}, 6},
		{"intact, but below its claim", logbook.Run{Verdict: logbook.Intact, Pace: flash.PaceBelowClaim}, 0},
		{"damaged and slow", logbook.Run{Verdict: logbook.Damaged, Pace: flash.PaceBelowFloor}, 6},
		{"refused", logbook.Run{Verdict: logbook.Refused, Error: failure(logbook.ClassRefused)}, 3},
		{"source", logbook.Run{Verdict: logbook.Unfinished, Error: failure(logbook.ClassSource)}, 4},
		{"card", logbook.Run{Verdict: logbook.Unfinished, Error: failure(logbook.ClassCard)}, 5},
		{"card failed after the proof", logbook.Run{Verdict: logbook.Intact, Error: failure(logbook.ClassCard)}, 5},
		{"interrupted", logbook.Run{Verdict: logbook.Unfinished, Error: failure(logbook.ClassInterrupted)}, 130},
		{"a class nobody knows", logbook.Run{Verdict: logbook.Unfinished, Error: failure("new")}, 1},
		{"unfinished without a word", logbook.Run{Verdict: logbook.Unfinished}, 1},
	} {
		if got := codeOfRun(c.run); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

func TestCodeOfAnError(t *testing.T) {
	for _, c := range []struct {
		err  error
		want exitCode
	}{
		{nil, 0},
		{errors.New("anything"), 1},
		{fmt.Errorf("within: %w", usagef("no")), 2},
		{fmt.Errorf("within: %w", &device.Refusal{Reasons: []string{"no"}, Err: device.ErrBusy}), 3},
		{fmt.Errorf("within: %w", &source.Error{Err: source.ErrEmpty}), 4},
		{&flash.Error{Step: flash.StepInspect, Err: flash.ErrGone}, 5},
		{ending{damaged}, 6},
		{errors.Join(ending{belowFloor}, nil), 7},
		{fmt.Errorf("within: %w", context.Canceled), 130},
		{interruption{}, 130},
		{&source.Error{Err: context.Canceled}, 130},
	} {
		if got := codeOfError(c.err); got != c.want {
			t.Errorf("%v: %d, want %d", c.err, got, c.want)
		}
	}
}

func TestCodeOfACapacityCheck(t *testing.T) {
	failure := func(class logbook.Class) *logbook.Failure { return &logbook.Failure{Class: class} }
	for _, c := range []struct {
		name string
		run  logbook.CapacityCheck
		want exitCode
	}{
		{"true", logbook.CapacityCheck{Result: found("true")}, 0},
		{"short", logbook.CapacityCheck{Result: found("short")}, 6},
		{"unreliable", logbook.CapacityCheck{Result: found("unreliable")}, 6},
		{"true, but what it held is not back", logbook.CapacityCheck{Result: found("true"), Error: failure(logbook.ClassCard)}, 5},
		{"true, but what it held could not be put back whole", logbook.CapacityCheck{Result: capacity.Result{Verdict: "true", Restored: new(bool)}}, 6},
		{"true, and gone while it was put back", logbook.CapacityCheck{
			Result: capacity.Result{Verdict: "true", Restored: new(bool)}, Error: failure(logbook.ClassCard),
		}, 5},
		{"short, then interrupted", logbook.CapacityCheck{Result: found("short"), Error: failure(logbook.ClassInterrupted)}, 130},
		{"the card failed", logbook.CapacityCheck{Result: found(""), Error: failure(logbook.ClassCard)}, 5},
		{"refused", logbook.CapacityCheck{Error: failure(logbook.ClassRefused)}, 3},
		{"interrupted", logbook.CapacityCheck{Result: found(""), Error: failure(logbook.ClassInterrupted)}, 130},
		{"without a word", logbook.CapacityCheck{Result: found("")}, 1},
		{"without anything", logbook.CapacityCheck{}, 1},
	} {
		if got := codeOfCapacity(&c.run); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

func found(verdict capacity.Verdict) capacity.Result { return capacity.Result{Verdict: verdict} }
