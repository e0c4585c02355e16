package device

import (
	"fmt"
	"strings"

	"cardwright/partition"
)

// A Kind tells a disk from a regular file.
type Kind string

// The kinds of target.
const (
	KindDevice Kind = "device"
	KindFile   Kind = "file"
)

// A Description is what is shown and recorded of a target. Empty fields are not known or do not apply.
type Description struct {
	Node        string           `json:"device"` // the node's or file's path, links followed
	Kind        Kind             `json:"kind"`
	Model       string           `json:"model"`
	Transport   Transport        `json:"transport"`
	PortPath    string           `json:"port_path"`
	LinkSpeed   string           `json:"link_speed"` // Mbit/s for USB
	Serial      string           `json:"serial"`
	CID         string           `json:"cid"`
	Bus         Bus              `json:"bus"`
	Twins       []string         `json:"-"` // nodes of the other disks that tell the same CID now
	SizeBytes   int64            `json:"size_bytes"`
	SectorBytes int64            `json:"sector_bytes"`
	Removable   bool             `json:"removable"`
	MountedAt   []string         `json:"mounted_at"`
	Contents    string           `json:"contents"` // what is on it now, in one line
	Unreadable  string           `json:"unreadable"`
	Table       *partition.Table `json:"table"` // null where it could not be read
	// RegisterFolder is the path of the kernel's folder of the card's registers, as it was when the disk was looked at: another
	// card may have come since, which its CID tells. It is empty where the reader hides them.
	RegisterFolder string `json:"-"`
}

func describeDisk(d *Disk) Description {
	return Description{
		Kind: KindDevice, Model: d.Model, Transport: d.Transport, PortPath: d.PortPath, LinkSpeed: d.LinkSpeed,
		Serial: d.Serial, CID: d.CID, SizeBytes: d.SizeBytes, SectorBytes: d.LogicalSectorBytes, Removable: d.Removable,
		Bus: d.Bus, RegisterFolder: d.RegisterFolder,
	}
}

// mountedAt gives the mount points of all that lies on the disk, at any depth, in the order of the mount table.
func (s *Snapshot) mountedAt(d *Disk) []string {
	points := []string{}
	contacts := newGraph(s).contacts(d)
	for i := range s.Mounts {
		for _, c := range contacts {
			if s.Mounts[i].on(c.node) {
				points = append(points, s.Mounts[i].Point)
				break
			}
		}
	}
	return distinct(points)
}

// twins gives the nodes of the other disks that tell the CID of this one. A card's own hardware areas are none.
func (s *Snapshot) twins(d *Disk, roots Roots) (nodes []string) {
	for i := range s.Disks {
		other := &s.Disks[i]
		if d.CID != "" && other.CID == d.CID && other.Dev != d.Dev && other.AreaOf == "" {
			nodes = append(nodes, roots.node(other))
		}
	}
	return nodes
}

const (
	unknownContents = "data, but no known partition table or file system"
	noContents      = "nothing, as far as its first 1 MiB tells"
)

// Contents tells in one line what a medium holds: "MBR, 2 partitions: FAT32 BOOTFS, ext4 rootfs".
func Contents(t *partition.Table) string {
	if len(t.Partitions) == 0 && t.Kind == partition.SchemeNone {
		if t.FileSystem != nil {
			return "no partition table, " + fileSystemLine(t.FileSystem)
		}
		return unknownContents
	}
	var parts []string
	for _, p := range t.Partitions {
		parts = append(parts, partitionLine(p))
	}
	noun := "partitions"
	if len(parts) == 1 {
		noun = "partition"
	}
	line := fmt.Sprintf("%s, %d %s", schemeName(t.Kind), len(parts), noun)
	if len(parts) > 0 {
		line += ": " + strings.Join(parts, ", ")
	}
	return line
}

func schemeName(s partition.Scheme) string {
	switch s {
	case partition.SchemeMBR, partition.SchemeGPT:
		return strings.ToUpper(string(s))
	case partition.SchemeHybrid:
		return "hybrid GPT and MBR"
	}
	return "no partition table"
}

func partitionLine(p partition.Partition) string {
	if p.FileSystem == nil {
		return "no known file system"
	}
	return fileSystemLine(p.FileSystem)
}

func fileSystemLine(f *partition.FileSystem) string {
	return strings.TrimSpace(f.Kind + " " + printable(f.Label))
}
