// Command bench compares cardwright with the limits of the device and with the general tools of the operating system, and
// prints each ratio with the medians of both sides, as text and, with -json, as JSON.
//
// It measures whole commands, or the time that the program tells of its cards, one side after the other in turn, so that a
// noisy machine disturbs both alike, and takes medians. It decides nothing: a ratio beside its goal is a figure and no test.
// Comparisons with devices need root, FUSE and loop devices; the tools compared with are xz, gzip, zstd, bash, blockdev and
// coreutils. docs/performance.md tells figures that it gave.
//
// Read next: main (main.go), the list of comparisons (comparisons.go), how a side is timed (timing.go).
package main
