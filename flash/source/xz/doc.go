// Package xz decodes files of the format that "The .xz File Format" 1.1.0 describes: any number of streams and blocks, LZMA2
// behind up to three filters, every check the format names.
//
// Blocks are decoded side by side where their headers, or a Plan read from the file's indexes, say how large they are; others
// one after the other. Memory is bounded by Options, and taken once packed bytes have come, not as headers promise.
//
// It never packs, never seeks in the source of a Reader, never believes a size before decoding has borne it out, and never
// takes a file for whole whose last byte was not seen to be its last. Filters that a later version of the format added, such
// as that for RISC-V, are refused.
//
//	file:   stream, zeros in fours, stream ...
//	stream: header 12, blocks, index, footer 12
//	block:  header 8 to 1024, LZMA2 chunks, zeros to a multiple of 4, check
//
// Where to read next: Reader in reader.go hands blocks out (start.go, team.go) or decodes them itself (block.go), which both
// come to model.decode in lzma.go; its decisions are in coder.go and tree.go. ReadPlan is in plan.go.
//
// The decoder lives on conditional moves, see coder.choose: the compiler makes them of `if less { a = b }` as long as the
// condition reaches no load address as an integer, and promises nothing. After a change of the compiler, count them: each of
// these six functions has three on amd64.
//
//	go test -c -o xz.test ./flash/source/xz && go tool objdump -s 'coder\.(tree|matched|align|reversed)' xz.test | grep -c CMOV
package xz
