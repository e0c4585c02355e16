package logbook

import (
	"cmp"
	"strings"
)

// compareLabels orders labels as people count: node-2 comes before node-10.
func compareLabels(a, b string) int {
	restA, restB := a, b
	for restA != "" && restB != "" {
		var partA, partB string
		partA, restA = cutPart(restA)
		partB, restB = cutPart(restB)
		if isDigit(partA[0]) && isDigit(partB[0]) {
			numberA, numberB := strings.TrimLeft(partA, "0"), strings.TrimLeft(partB, "0")
			if order := cmp.Or(cmp.Compare(len(numberA), len(numberB)), strings.Compare(numberA, numberB)); order != 0 {
				return order
			}
		} else if order := strings.Compare(partA, partB); order != 0 {
			return order
		}
	}
	return cmp.Or(cmp.Compare(len(restA), len(restB)), strings.Compare(a, b))
}

// cutPart cuts the digits off that text begins with, else its first byte.
func cutPart(text string) (part, rest string) {
	end := 0
	for end < len(text) && isDigit(text[end]) {
		end++
	}
	end = max(end, 1)
	return text[:end], text[end:]
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }
