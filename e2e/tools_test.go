//go:build device

package e2e_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

// sfdiskDocument is what `sfdisk -J` of util-linux prints.
type sfdiskDocument struct {
	Table struct {
		Label      string `json:"label"`
		ID         string `json:"id"`
		SectorSize int64  `json:"sectorsize"`
		Partitions []struct {
			Start    uint64 `json:"start"`
			Size     uint64 `json:"size"`
			Type     string `json:"type"`
			UUID     string `json:"uuid"`
			Name     string `json:"name"`
			Bootable bool   `json:"bootable"`
		} `json:"partitions"`
	} `json:"partitiontable"`
}

// expectToolsAgree asks sfdisk, sgdisk and blkid about the same device, now.
func expectToolsAgree(t *testing.T, path string, got *tableDoc) {
	t.Helper()
	var said sfdiskDocument
	if err := json.Unmarshal(tool(t, "sfdisk", "-J", path), &said); err != nil {
		t.Fatal(err)
	}
	want := &tableDoc{Kind: "gpt", ID: said.Table.ID, Sector: said.Table.SectorSize}
	if said.Table.Label == "dos" {
		want.Kind, want.ID = "mbr", strings.TrimPrefix(said.Table.ID, "0x")
	} else if text := string(tool(t, "sgdisk", "-p", path)); !strings.Contains(text, "Disk identifier (GUID): "+got.ID) {
		t.Errorf("sgdisk does not know the disk as %s:\n%s", got.ID, text)
	}
	for i, p := range said.Table.Partitions {
		if want.Kind == "mbr" && len(p.Type) == 1 {
			p.Type = "0" + p.Type // sfdisk leaves it out
		}
		want.Partitions = append(want.Partitions, partitionDoc{
			Number: i + 1, Start: p.Start, Sectors: p.Size, Type: p.Type, Name: p.Name, GUID: p.UUID, Boot: p.Bootable,
			FileSystem: probed(t, path, int64(p.Start)*want.Sector, int64(p.Size)*want.Sector),
		})
	}
	expectTable(t, got, want)
}

// probed asks blkid for the file system at a place of the device.
func probed(t *testing.T, path string, offsetBytes, sizeBytes int64) *fileSystemDoc {
	t.Helper()
	out := tool(t, "blkid", "-p", "-o", "export", "-O", fmt.Sprint(offsetBytes), "-S", fmt.Sprint(sizeBytes), path)
	said := map[string]string{}
	for lines := bufio.NewScanner(bytes.NewReader(out)); lines.Scan(); {
		if key, value, ok := strings.Cut(lines.Text(), "="); ok {
			said[key] = value
		}
	}
	kind := said["TYPE"]
	if kind == "vfat" {
		kind = strings.ToLower(said["VERSION"])
	}
	return &fileSystemDoc{Kind: kind, Label: said["LABEL"], UUID: said["UUID"]}
}
