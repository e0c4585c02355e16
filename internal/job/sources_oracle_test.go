//go:build oracle

package job_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// toolTests are the general tools that test a file of their own format, by the first word of a row's name.
func toolTests() map[string][]string {
	return map[string][]string{
		"xz": {"xz", "-t"}, "gzip": {"gzip", "-t"}, "zstd": {"zstd", "-q", "-t"}, "bzip2": {"bzip2", "-t"}, "zip": {"unzip", "-tqq"},
		"zip64": {"unzip", "-tqq"},
	}
}

// laxer are rows that are bad as images, or by the letter of their format, and that the tools all the same let pass.
func laxer() map[string]string {
	const (
		sound     = "the file is sound, and no image that fits a card: too large, none at all, or one of several"
		trails    = "the tool passes over what follows the end"
		directory = "the tool reads the directory alone, and by its sizes no further than the data go"
		larger    = "the tool allows more memory"
	)
	return map[string]string{
		"gzip with zeros behind it": trails,
		"gzip bomb":                 sound,

		"xz that asks for a dictionary of 1.5 GiB":            larger,
		"zstd of a skippable frame alone":                     sound,
		"zstd bomb":                                           sound,
		"bzip2 with a zero behind it":                         trails,
		"bzip2 with text behind it":                           trails,
		"zip with text behind it":                             trails,
		"zip with zeros behind it":                            trails,
		"zip of a folder alone":                               sound,
		"zip of a folder that is asked for":                   sound,
		"zip of two files":                                    sound,
		"zip without the file that is asked for":              sound,
		"zip of two files of one name":                        sound,
		"zip of an empty file":                                sound,
		"zip that states a byte more":                         directory,
		"zip that states a byte less":                         directory,
		"zip with a descriptor of another CRC":                directory,
		"zip with a descriptor of another size":               directory,
		"zip with a wrong CRC in its directory":               directory,
		"zip that states too little in its directory":         directory,
		"zip that states more than the card in its directory": directory,
		"zip bomb that states one sector":                     directory,
		"zip64 that states more than the card":                directory,
		"zip64 that states a negative size":                   directory,
	}
}

// TestGeneralToolsAgreeOnBadSources has the tool of each format test what the rows are made of: what a row calls bad, the tool
// must refuse, but for the rows above, and what it calls sound, the tool must take. That the packers of this test are right is
// shown by this alone.
func TestGeneralToolsAgreeOnBadSources(t *testing.T) {
	image := boardImage()
	folder := t.TempDir()
	asked := 0
	for _, row := range slices.Concat(
		gzipSources(t, image), xzSources(image), xzStreamSources(t, image), zstdSources(t, image), bzip2Sources(image),
		zipSources(t, image), zipLies(t, image),
	) {
		words := strings.Fields(strings.TrimPrefix(row.name, "sound "))
		test, known := toolTests()[words[0]]
		if !known {
			t.Fatalf("no tool for %q", row.name)
		}
		name := filepath.Join(folder, "packed."+map[string]string{"gzip": "gz", "bzip2": "bz2", "zstd": "zst"}[words[0]])
		if err := os.WriteFile(name, row.packed(), 0o600); err != nil {
			t.Fatal(err)
		}
		said, err := exec.CommandContext(t.Context(), test[0], append(test[1:], name)...).CombinedOutput()
		asked++
		passes := row.want.class == "" || laxer()[row.name] != ""
		if passes != (err == nil) {
			t.Errorf("%s: the tool should pass it: %v; it says %v, %s", row.name, passes, err, said)
		}
	}
	t.Logf("the tools were asked about %d sources", asked)
}
