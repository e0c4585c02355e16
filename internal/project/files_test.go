package project_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"cardwright/internal/project"
)

// folder makes a folder of files.
func folder(t *testing.T, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, content := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

func readFiles(t *testing.T, files map[string]string) *project.Files {
	t.Helper()
	read, err := project.ReadFiles(folder(t, files))
	if err != nil {
		t.Fatal(err)
	}
	return read
}

// orchardRun is a card's data, in a zone where the day is another than in UTC.
func orchardRun(row project.Row) project.Data {
	return project.Data{
		Row: row, Number: 7, Image: "orchard.img.xz", ImageSHA256: strings.Repeat("0a", 32),
		Time: time.Date(2026, 11, 26, 1, 0, 0, 0, time.FixedZone("east", 2*3600)),
	}
}

func TestTemplatesAreFilledIn(t *testing.T) {
	files := readFiles(t, map[string]string{
		"etc/host.conf": "{{.hostname}} is {{.label}}, {{printf \"%03d\" .number}} of {{.image}} on {{.date}}\n",
		"plain.txt":     "nothing to fill in\n",
		"digest":        "{{.image_sha256}}",
		"key.bin":       "{{.nothing}}\x00",
		"latin1.txt":    "{{.nothing}} \xe4",
		"empty":         "",
	})
	got, err := files.Render(orchardRun(project.Row{"label": "row 7", "hostname": "tree-7"}))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		"etc/host.conf": "tree-7 is row 7, 007 of orchard.img.xz on 2026-11-25\n",
		"plain.txt":     "nothing to fill in\n",
		"digest":        strings.Repeat("0a", 32),
		"key.bin":       "{{.nothing}}\x00",
		"latin1.txt":    "{{.nothing}} \xe4",
		"empty":         "",
	}
	held, order := map[string]string{}, []string{}
	for _, file := range got {
		held[file.Path] = string(file.Content)
		order = append(order, file.Path)
	}
	if diff := cmp.Diff(want, held); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"digest", "empty", "etc/host.conf", "key.bin", "latin1.txt", "plain.txt"}, order); diff != "" {
		t.Error(diff)
	}
}

func TestEveryRowIsCheckedBeforehand(t *testing.T) {
	files := readFiles(t, map[string]string{"host": `{{if eq .kind "odd"}}{{.missing}}{{end}}{{.label}}`})
	sheet, err := project.ReadSheet(strings.NewReader("label,kind\nrow 1,even\nrow 2,odd\nrow 3,even\nrow 4,odd\n"))
	if err != nil {
		t.Fatal(err)
	}
	err = files.Check(sheet, orchardRun(nil))
	if !errors.Is(err, project.ErrTemplate) {
		t.Fatal(err)
	}
	for text, told := range map[string]bool{"row 1": false, "row 2": true, "row 3": false, "row 4": true, `no column of the sheet has the name "missing"`: true, "host:1": true} {
		if strings.Contains(err.Error(), text) != told {
			t.Errorf("%q is told: %v, in %v", text, !told, err)
		}
	}
	sound := readFiles(t, map[string]string{"host": "{{.kind}} {{.label}}"})
	if err := sound.Check(sheet, orchardRun(nil)); err != nil {
		t.Error(err)
	}
	if err := sound.Check(nil, orchardRun(nil)); !errors.Is(err, project.ErrTemplate) {
		t.Errorf("without a sheet: %v", err)
	}
	if err := readFiles(t, map[string]string{"host": "{{.number}} {{.date}}"}).Check(nil, orchardRun(nil)); err != nil {
		t.Error(err)
	}
}

func TestManyBadRowsAreCutShort(t *testing.T) {
	files := readFiles(t, map[string]string{"host": "{{.missing}}"})
	sheet, err := project.ReadSheet(strings.NewReader("label\n" + numbered(5000)))
	if err != nil {
		t.Fatal(err)
	}
	if err := files.Check(sheet, orchardRun(nil)); !errors.Is(err, project.ErrTemplate) || len(strings.Split(err.Error(), "\n")) != 11 {
		t.Error(err)
	}
}

// Templates that never end, or that reach for what is not there, fail; none reaches outside.
func TestTemplatesAreHeldIn(t *testing.T) {
	for name, text := range map[string]string{
		"endless":  `{{range 9000000000}}0123456789{{end}}`,
		"deep":     `{{define "a"}}{{template "a"}}{{end}}{{template "a"}}`,
		"of text":  `{{.label.length}}`,
		"absent":   `{{template "other"}}`,
		"by index": `{{index .label 99}}`,
	} {
		if _, err := readFiles(t, map[string]string{"x": text}).Render(orchardRun(project.Row{"label": "a"})); !errors.Is(err, project.ErrTemplate) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, text := range []string{"{{", "{{.x", "{{if}}", "{{readFile \"/etc/hostname\"}}", "{{env \"HOME\"}}"} {
		if _, err := project.ReadFiles(folder(t, map[string]string{"x": text})); !errors.Is(err, project.ErrTemplate) || !errors.Is(err, project.ErrFiles) {
			t.Errorf("%s: %v", text, err)
		}
	}
	if _, err := readFiles(t, map[string]string{"x": "x"}).Render(orchardRun(project.Row{"label": "a", "date": "x"})); !errors.Is(err, project.ErrSheet) {
		t.Errorf("a column that hides the run's: %v", err)
	}
}

func TestFoldersWithMoreThanFilesAreRefused(t *testing.T) {
	spoil := map[string]func(dir string) error{
		"link":       func(dir string) error { return os.Symlink("/etc/hostname", filepath.Join(dir, "odd one")) },
		"folderlink": func(dir string) error { return os.Symlink("/etc", filepath.Join(dir, "sub", "odd one")) },
		"pipe":       func(dir string) error { return syscall.Mkfifo(filepath.Join(dir, "odd one"), 0o600) },
		"name":       func(dir string) error { return os.WriteFile(filepath.Join(dir, "odd one?"), nil, 0o600) },
		"case":       func(dir string) error { return os.WriteFile(filepath.Join(dir, "SUB"), nil, 0o600) },
		"large": func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "odd one"), make([]byte, 16<<20), 0o600)
		},
	}
	for name, how := range spoil {
		dir := folder(t, map[string]string{"sub/a": "x"})
		if _, err := project.ReadFiles(dir); err != nil {
			t.Fatal(err)
		}
		if err := how(dir); err != nil {
			t.Fatal(err)
		}
		_, err := project.ReadFiles(dir)
		if !errors.Is(err, project.ErrFiles) || name != "case" && name != "large" && !strings.Contains(err.Error(), "odd one") {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, dir := range []string{t.TempDir(), filepath.Join(t.TempDir(), "none")} {
		if _, err := project.ReadFiles(dir); !errors.Is(err, project.ErrFiles) {
			t.Errorf("%s: %v", dir, err)
		}
	}
}
