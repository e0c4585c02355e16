package report

import (
	"fmt"
	"slices"
	"strings"

	"cardwright/internal/logbook"
	"cardwright/partition"
)

// severities is the order in which findings are told.
func severities() []partition.Severity {
	return []partition.Severity{partition.Fault, partition.Warning, partition.Information}
}

// findingsOf gives a run's findings and those of its table, each once, the gravest first.
func findingsOf(run *logbook.Run) []partition.Finding {
	all := slices.Clone(run.Findings)
	if run.Table != nil {
		for _, finding := range run.Table.Findings {
			if !slices.Contains(all, finding) {
				all = append(all, finding)
			}
		}
	}
	return sorted(all)
}

// sorted gives the findings in the order of their severity.
func sorted(findings []partition.Finding) []partition.Finding {
	return slices.SortedStableFunc(slices.Values(findings), func(a, b partition.Finding) int {
		return slices.Index(severities(), a.Severity) - slices.Index(severities(), b.Severity)
	})
}

// addFindings tells the faults and warnings, and counts the rest, unless nothing is to be left out.
func addFindings(p *page, findings []partition.Finding, most int) {
	name, shown, warnings, informations := "Findings", 0, 0, 0
	for _, finding := range findings {
		if finding.Severity == partition.Information && most < all {
			informations++
			continue
		}
		if warnings++; shown < most {
			p.addUpTo(linesOf(2, most), name, findingSentence(finding))
			name = ""
			shown++
		}
	}
	rest := ""
	if more := warnings - shown; more > 0 {
		rest = fmt.Sprintf("%d more to look at", more)
	}
	if informations > 0 {
		rest = strings.Join(nonEmpty(rest, fmt.Sprintf("%d for information", informations)), ", ")
	}
	p.add(name, rest)
}

// findingSentence gives a finding with what it rests on.
func findingSentence(finding partition.Finding) string {
	text := finding.Sentence
	if text == "" {
		text = finding.Code
	}
	if finding.Severity != "" {
		text = string(finding.Severity) + ": " + text
	}
	if finding.Evidence != "" {
		text += " (" + finding.Evidence + ")"
	}
	return text
}
