// Package fat puts files into a FAT12, FAT16 or FAT32 file system that is there already, and gives the sectors that this changes.
//
// It writes nothing itself: all changes stay in memory, over a medium that is only read. It touches nothing but what a file
// needs: its clusters, its directory's entries, both file allocation tables, and FAT32's count of free clusters. What it does not
// understand in full (crossed chains, a folder in a free cluster, a long name without its file, two tables that differ) it refuses,
// so that it never makes a bad file system worse. Files are read back through another implementation before the sectors are given.
//
// Read next: Open and Volume.Put (volume.go), geometry (geometry.go), table (table.go), directory (directory.go), the walk through
// all directories (tree.go), Volume.Finish (finish.go).
package fat
