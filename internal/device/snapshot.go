package device

import (
	"fmt"
	"path/filepath"
	"strings"
)

// Roots are the folders that the kernel's trees are read from; an empty field is the usual place.
type Roots struct {
	Sys   string // "/sys"
	Proc  string // "/proc"
	Dev   string // "/dev"; paths below /dev named by the kernel are looked up here
	Debug string // "/sys/kernel/debug", which only root may read
}

func (r Roots) withDefaults() Roots {
	if r.Sys == "" {
		r.Sys = "/sys"
	}
	if r.Proc == "" {
		r.Proc = "/proc"
	}
	if r.Dev == "" {
		r.Dev = "/dev"
	}
	if r.Debug == "" {
		r.Debug = "/sys/kernel/debug"
	}
	return r
}

// node gives the path of a disk's node.
func (r Roots) node(d *Disk) string {
	return filepath.Join(r.Dev, strings.ReplaceAll(d.Name, "!", "/"))
}

// A Snapshot is what the kernel told about disks, mounts and swap at one moment.
type Snapshot struct {
	Disks   []Disk // in the order of their names
	Mounts  []Mount
	Swaps   []Swap
	Members []Member
	// Unknown are the pieces that could not be read and that concern every disk, such as the mount table.
	Unknown []Gap
}

// A Gap is one piece that could not be read or made no sense. A disk with a gap is never written.
type Gap struct {
	Field string // the kernel's name of it, such as "size" or "sdb1/dev"
	Why   string
}

// A DevNumber is the kernel's number of a block device.
type DevNumber struct{ Major, Minor uint32 }

// String gives the number as the kernel writes it, "8:16".
func (n DevNumber) String() string { return fmt.Sprintf("%d:%d", n.Major, n.Minor) }

// A Transport tells how a disk is reached.
type Transport string

// The transports. Optical drives are told apart because they hold discs, not cards.
const (
	TransportUSB     Transport = "usb"
	TransportMMC     Transport = "mmc"
	TransportNVMe    Transport = "nvme"
	TransportATA     Transport = "ata"
	TransportSCSI    Transport = "scsi"
	TransportVirtio  Transport = "virtio"
	TransportLoop    Transport = "loop"
	TransportRAM     Transport = "ram" // ram and zram
	TransportDM      Transport = "dm"
	TransportMD      Transport = "md"
	TransportOptical Transport = "optical"
	TransportOther   Transport = "other"
)

// A Disk is a whole disk as sysfs shows it. A field that could not be read is zero and has a Gap in Unknown.
type Disk struct {
	Name                string // "sdb"; a "/" in the kernel's name is "!"
	SysPath             string // below the sysfs root, links followed
	Dev                 DevNumber
	SizeBytes           int64 // 0: no medium
	ReadOnly            bool
	Removable           bool
	Hidden              bool
	DiskSeq             uint64 // 0 where the kernel does not count media
	LogicalSectorBytes  int64
	PhysicalSectorBytes int64
	Model               string // maker and model in one
	Serial              string // of the disk, else of the USB reader
	CID                 string // 32 hex digits; only a native MMC or SD slot tells it
	Transport           Transport
	PortPath            string // "1-2.3" for USB, with ":lun1" for a reader's further slots; "mmc0" for an MMC host
	LinkSpeed           string // USB: Mbit/s, as the kernel tells it
	Bus                 Bus
	RegisterFolder      string // path of the kernel's folder of the card's registers; empty where the reader hides them
	Partitions          []Partition
	Holders             []string // kernel names of the disks that stand on this one
	Slaves              []string // kernel names of the disks and partitions that this one stands on
	AreaOf              string   // name of the disk whose hardware area this is, such as an MMC boot area
	Attached            bool     // loop: something is attached
	Backing             Place    // loop: what is attached
	DMName              string
	DMUUID              string
	Unknown             []Gap
}

// A Partition is one partition of a disk, as the kernel sees it.
type Partition struct {
	Name    string
	Number  int
	Dev     DevNumber
	Holders []string
}

// A Place is a path that the kernel names, looked up at the time of the snapshot.
type Place struct {
	Path   string     // as the kernel gave it
	Name   string     // kernel name of the device node it leads to; empty for anything else
	Dev    *DevNumber // the node's number; nil where no node could be asked
	IsFile bool       // a regular file stands there
}

// A Mount is one line of the mount table.
type Mount struct {
	Dev     DevNumber // major 0 where the file system has no single device
	Point   string
	Kind    string   // file system type
	Source  string   // as mounted
	Sources []Place  // the source looked up; several for one that names several devices
	Layers  []string // overlay: the folders it stands on
}

// A Swap is one area in use as swap space.
type Swap struct {
	Place
	OnFile bool // a swap file: its file system is mounted, which is enough
}

// A Member is a disk or partition that belongs to a mounted file system of several devices.
type Member struct {
	Kind string // "btrfs"
	UUID string
	Name string // kernel name of the disk or partition
}

// DiskByNumber finds the whole disk of a device number; nil when there is none.
func (s *Snapshot) DiskByNumber(n DevNumber) *Disk {
	for i := range s.Disks {
		if s.Disks[i].Dev == n {
			return &s.Disks[i]
		}
	}
	return nil
}

// DiskByName finds a whole disk by its kernel name; nil when there is none.
func (s *Snapshot) DiskByName(name string) *Disk {
	for i := range s.Disks {
		if s.Disks[i].Name == name {
			return &s.Disks[i]
		}
	}
	return nil
}

// PartitionByNumber finds the partition of a device number and the disk it lies on; nil, nil when there is none.
func (s *Snapshot) PartitionByNumber(n DevNumber) (*Disk, *Partition) {
	for i := range s.Disks {
		d := &s.Disks[i]
		for k := range d.Partitions {
			if d.Partitions[k].Dev == n {
				return d, &d.Partitions[k]
			}
		}
	}
	return nil, nil
}
