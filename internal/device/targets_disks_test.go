package device_test

import "strings"

// aCard is a PC that runs from an NVMe disk, with a card of two partitions in a USB reader.
const aCard = `include system
disk sdb 8:16 pci0000:00/0000:00:14.0/usb1/1-2/1-2:1.0/host6/target6:0:0/6:0:0:0/block/sdb size=62333952 removable=1 diskseq=20
part sdb1 8:17
part sdb2 8:18
`

// onlyCard is the same card alone, on a machine of which the row tells where / is.
var onlyCard = strings.TrimPrefix(aCard, "include system\n")

// Disks that several rows need, with their number and folder.
const (
	mapped    = "disk dm-0 253:0 virtual/block/dm-0 size=60000000\nattr dm/name secret\n"
	mappedTwo = "disk dm-1 253:1 virtual/block/dm-1 size=60000000\nattr dm/name group-root\n"
	mirror    = "disk md0 9:0 virtual/block/md0 size=62000000\n"
	loop      = "disk loop0 7:0 virtual/block/loop0 size=131072 diskseq=30\n"
	second    = "disk sdc 8:32 pci0000:00/0000:00:14.0/usb1/1-3/1-3:1.0/host7/target7:0:0/7:0:0:0/block/sdc size=9 removable=1\n"
)

// diskSituations are judged from the kernel's trees alone.
func diskSituations() []situation {
	on := func(machine, lines string) string { return machine + strings.ReplaceAll(lines, "; ", "\n") }
	card := func(lines string) string { return on(aCard, lines) }
	root := func(lines string) string { return on(onlyCard, lines) }
	return []situation{
		// Cards, and what only looks like one.
		{"a card in a USB reader", aCard, "sdb", yes, ""},
		{"a USB disk that calls itself fixed", "include usb-fixed", "sdb", yes, ""},
		{"a card in a slot of the board", "include mmc-slot", "mmcblk0", yes, ""},
		{"a soldered module that nothing uses", "include mmc-slot", "mmcblk1", yes, ""},
		{"its first boot area", "include mmc-slot", "mmcblk1boot0", no, "hardware area of mmcblk1"},
		{"its second boot area", "include mmc-slot", "mmcblk1boot1", no, "hardware area of mmcblk1"},
		{"its replay-protected area", "include mmc-slot", "mmcblk1rpmb", no, "replay-protected"},
		{
			"its general purpose area", "include mmc-slot\ndisk mmcblk1gp0 179:160 " +
				"platform/soc/fe350000.mmc/mmc_host/mmc1/mmc1:0001/block/mmcblk1/mmcblk1gp0 size=8192", "mmcblk1gp0", no, "hardware area",
		},
		{
			"a removable disk on SCSI",
			card("disk sdd 8:48 pci0000:00/0000:00:1f.0/host9/target9:0:0/9:0:0:0/block/sdd size=62333952 removable=1"),
			"sdd", yes, "",
		},
		{
			"a spare NVMe disk",
			card("disk nvme1n1 259:9 pci0000:00/0000:00:1e.0/nvme/nvme1/nvme1n1 size=1000215216"),
			"nvme1n1", withFixedOK, "fixed disk (nvme)",
		},
		{"a spare SATA disk", "include sata", "sda", withFixedOK, "fixed disk (ata)"},
		{
			"a spare SCSI disk",
			card("disk sdd 8:48 pci0000:00/0000:00:1f.0/host9/target9:0:0/9:0:0:0/block/sdd size=62333952"),
			"sdd", withFixedOK, "fixed disk (scsi)",
		},
		{
			"a spare disk of a virtual machine",
			card("disk vdb 254:16 pci0000:00/0000:00:03.0/virtio2/block/vdb size=62333952"),
			"vdb", withFixedOK, "fixed disk (virtio)",
		},
		{
			"a disk over the network",
			card("disk nbd0 43:0 virtual/block/nbd0 size=62333952"),
			"nbd0", withFixedOK, "fixed disk (other)",
		},
		{"an idle mapped device", card(mapped), "dm-0", withFixedOK, "fixed disk (dm)"},
		{"an idle mirror", "include md", "md0", withFixedOK, "fixed disk (md)"},
		{"a loop device over a file", "include loop-file", "loop0", withFixedOK, "fixed disk (loop)"},
		{
			"a loop device that calls itself removable",
			card("disk loop0 7:0 virtual/block/loop0 size=8 removable=1; attr loop/backing_file /srv/x"),
			"loop0", withFixedOK, "fixed disk (loop)",
		},
		{"a loop device over nothing", "include loop-file", "loop1", no, "nothing is attached"},
		{"a compressed disk in memory", "include memory", "zram0", no, "disk in memory"},
		{"a plain disk in memory", "include memory", "ram0", no, "disk in memory"},
		{"an optical drive", "include optical", "sr0", no, "optical drive"},
		{
			"an optical drive on USB",
			card("disk sr1 11:1 pci0000:00/0000:00:14.0/usb1/1-4/1-4:1.0/host8/target8:0:0/8:0:0:0/block/sr1 size=1433600 removable=1"),
			"sr1", no, "optical drive",
		},
		{
			"an optical drive for packets",
			card("disk pktcdvd0 252:0 virtual/block/pktcdvd0 size=1433600 removable=1"),
			"pktcdvd0", no, "optical drive",
		},
		{"a floppy drive", card("disk fd0 2:0 platform/floppy.0/block/fd0 size=2880 removable=1"), "fd0", no, "floppy drive"},
		{"a hidden disk", "include hidden", "nvme1c0n1", no, "hides it"},
		{"a reader without a card", "include usb-reader", "sdc", no, "no card in it"},
		{"a slot whose card is locked", card("drop ro; attr ro 1"), "sdb", no, "write-protected"},
		{"a disk whose number another disk has too", "include doubles", "sdc", no, "also that of sdb"},
		{"a card that stands beside the system", "include overlay-root", "sdb", yes, ""},

		// The disk that the running system is on, by every route.
		{"/ on a partition", "include system", "nvme0n1", no, "it holds the running system"},
		{"/ on a card's partition", root("mount 8:18 / ext4 /dev/sdb2"), "sdb", no, "it holds the running system"},
		{"/ on a whole disk", "include virtio-whole", "vda", no, "it holds the running system"},
		{"/ by the kernel's word for it", root("mount 8:18 / ext4 /dev/root"), "sdb", no, "it holds the running system"},
		{"/ by number alone", root("mount 8:18 / ext4 none"), "sdb", no, "it holds the running system"},
		{
			"/ by number, while the source names another",
			root(second + "mount 8:18 / ext4 /dev/sdc1"),
			"sdb", no, "it holds the running system",
		},
		{
			"/ by source, while the number is nobody's",
			root("file sys/fs/btrfs/1/devices/sdb2 -; mount 0:30 / btrfs /dev/sdb2"),
			"sdb", no, "it holds the running system",
		},
		{
			"/ by a link as its source",
			root("link disk/by-uuid/1 ../../sdb2; file sys/fs/btrfs/1/devices/sdb2 -; mount 0:30 / btrfs /dev/disk/by-uuid/1"),
			"sdb", no, "it holds the running system",
		},
		{
			"/ that no source names",
			root("mount 0:30 / btrfs /dev/root; file sys/fs/btrfs/1/devices/sdb2 -"),
			"sdb", no, "cannot be told",
		},
		{
			"a card beside a / that no source names",
			root(second + "mount 0:30 / btrfs /dev/root; file sys/fs/btrfs/1/devices/sdb2 -"),
			"sdc", no, "cannot be told",
		},
		{"a card beside a / in a pool of unknown disks", root("mount 0:30 / zfs pool/root"), "sdb", no, "cannot be told"},
		{"a card beside a / of a number nobody has", root("mount 8:99 / ext4 /dev/root"), "sdb", no, "cannot be told"},
		{"a card beside a / on another machine", root("mount 0:30 / nfs4 server:/root"), "sdb", yes, ""},
		{
			"/ in a volume group",
			root(mapped + "holds dm-0 sdb2; mount 253:0 / ext4 /dev/mapper/secret"),
			"sdb", no, "it holds the running system",
		},
		{
			"/ in a volume group on an encrypted partition",
			root(mapped + mappedTwo + "holds dm-0 sdb2; holds dm-1 dm-0; mount 253:1 / ext4 /dev/mapper/group-root"),
			"sdb", no, "it holds the running system",
		},
		{
			"the encrypted partition itself",
			root(mapped + mappedTwo + "holds dm-0 sdb2; holds dm-1 dm-0; mount 253:1 / ext4 /dev/mapper/group-root"),
			"dm-0", no, "it holds the running system",
		},
		{
			"/ on btrfs on an encrypted partition",
			root(mapped + "holds dm-0 sdb2; file sys/fs/btrfs/1/devices/dm-0 -; mount 0:30 / btrfs /dev/mapper/secret"),
			"sdb", no, "it holds the running system",
		},
		{
			"/ on a mirror of a partition and a disk",
			root(second + mirror + "holds md0 sdb1; holds md0 sdc; mount 9:0 / ext4 /dev/md0"),
			"sdc", no, "it holds the running system",
		},
		{
			"/ in a volume group on a mirror",
			root(mirror + mapped + "holds md0 sdb1; holds dm-0 md0; mount 253:0 / ext4 /dev/mapper/secret"),
			"sdb", no, "it holds the running system",
		},
		{
			"/ on a cached disk",
			root(second + "disk bcache0 251:0 virtual/block/bcache0 size=6000; " +
				"holds bcache0 sdb1; holds bcache0 sdc; mount 251:0 / ext4 /dev/bcache0"),
			"sdc", no, "it holds the running system",
		},
		{
			"/ on a loop device over a partition",
			root(loop + "attr loop/backing_file /dev/sdb1; mount 7:0 / ext4 /dev/loop0"),
			"sdb", no, "it holds the running system",
		},
		{"a loop device over the system's disk", "include loop-system", "loop0", no, "it holds the running system"},
		{"/ on the folders of an overlay", "include overlay-root", "mmcblk0", no, "it holds the running system"},
		{"a card beside an overlay of unknown folders", "include overlay-container", "sdb", no, "cannot be told"},
		{
			"/ from a file on a live medium",
			root(loop + "attr loop/backing_file /run/live/root.squashfs; mount 8:17 /run/live vfat /dev/sdb1; " +
				"mount 7:0 /run/root squashfs /dev/loop0; mount 0:30 / overlay overlay rw,lowerdir=/run/root"),
			"sdb", no, "mounted at /run/live",
		},
		{"the first disk of a btrfs /", "include btrfs-source", "sda", no, "it holds the running system"},
		{"the boot partition", card("mount 8:17 /boot ext4 /dev/sdb1"), "sdb", no, "mounted at /boot"},
		{"the firmware's partition", card("mount 8:17 /boot/efi vfat /dev/sdb1"), "sdb", no, "mounted at /boot/efi"},

		// Mounted, swapped to, held.
		{"a mounted partition, its mount point with a space", "include mounted", "sdb", no, "mounted at /media/x/my card"},
		{"a card mounted as a whole", card("mount 8:16 /mnt ext4 /dev/sdb"), "sdb", no, "the disk is mounted at /mnt"},
		{"a partition mounted through FUSE", card("mount 0:45 /mnt fuse.x /dev/sdb1"), "sdb", no, "mounted at /mnt"},
		{"a mounted partition that is no longer listed", "include unlisted", "sdb", no, "does not list"},
		{"the second disk of a mounted btrfs", "include btrfs-source", "sdc", no, "belongs to a btrfs"},
		{"a mounted loop device over the card", "include loop-partition", "sdc", no, "mounted at /mnt/x"},
		{"a mounted volume on the card", "include lvm-crypt", "sdb", no, "mounted at /srv/data"},
		{"a volume beside a mounted one", "include lvm-crypt", "dm-2", no, "mounted at /srv/data"},
		{"a mount whose disk cannot be told", card("mount 0:45 /mnt btrfs /dev/gone"), "sdb", no, "cannot be told"},
		{"swap on the card as a whole", card("swap /dev/sdb partition"), "sdb", no, "the disk is in use as swap"},
		{"swap on a partition", "include swap-partition", "sdb", no, "partition 1 is in use as swap"},
		{"swap on a partition that is no longer listed", card("swap /dev/sdb7 partition"), "sdb", no, "does not list"},
		{
			"swap on a partition, by a link",
			card("link disk/by-label/s ../../sdb2; swap /dev/disk/by-label/s partition"),
			"sdb", no, "partition 2 is in use as swap",
		},
		{
			"swap on a volume of the card",
			card(mapped + "holds dm-0 sdb2; swap /dev/mapper/secret partition"),
			"sdb", no, "in use as swap",
		},
		{
			"a swap file on the card",
			card("mount 8:17 /mnt ext4 /dev/sdb1; swap /mnt/swapfile file"),
			"sdb", no, "mounted at /mnt",
		},
		{"swap nobody knows where", card("swap /dev/gone partition"), "sdb", no, "swap space /dev/gone"},
		{
			"swap in memory",
			card("disk zram0 252:0 virtual/block/zram0 size=8388608; swap /dev/zram0 partition"),
			"sdb", yes, "",
		},
		{"a held card", card(mapped + "holds dm-0 sdb"), "sdb", no, "the disk is held by dm-0"},
		{"a card with a held partition", card(mirror + "holds md0 sdb2"), "sdb", no, "partition 2 is held by md0"},
		{
			"a holder that only the holder tells",
			card("disk dm-0 253:0 virtual/block/dm-0 size=8; attr slaves/sdb1 -"),
			"sdb", no, "partition 1 is held by dm-0",
		},
		{"a holder that only the card tells", card("attr sdb1/holders/dm-7 -"), "sdb", no, "partition 1 is held by dm-7"},
		{
			"holders that hold each other",
			card(mapped + mappedTwo + "holds dm-0 sdb1; holds dm-1 dm-0; holds dm-0 dm-1"),
			"sdb", no, "partition 1 is held by dm-0",
		},
		{
			"one of the holders that hold each other",
			card(mapped + mappedTwo + "holds dm-0 dm-1; holds dm-1 dm-0"),
			"dm-0", no, "held by",
		},
		{"a disk that holds itself", card(mapped + "holds dm-0 dm-0"), "dm-0", no, "held by"},
		{"a partition below a loop device", "include loop-partition", "sdb", no, "partition 1 is held by loop0"},
		{"a card beside a loop device over nobody knows what", card(loop), "sdb", no, "loop0 stands on"},
		{
			"a card beside a loop device over a lost disk",
			card(loop + "attr loop/backing_file /dev/gone"),
			"sdb", no, "loop0 stands on",
		},

		// What the kernel does not tell.
		{"no mount table", "include no-mount-table", "sdb", no, "mount table is not known"},
		{"a mount table without /", onlyCard, "sdb", no, "mount table is not known"},
		{
			"a mount table with a number that is none",
			card("mount 8;17 /mnt ext4 /dev/x"),
			"sdb", no, "mount table is not known",
		},
		{
			"a mount table with a point that is no path",
			card("mount 8:17 mnt ext4 /dev/x"),
			"sdb", no, "mount table is not known",
		},
		{"no swap table", card("absent proc/swaps"), "sdb", no, "swap table is not known"},
		{"a swap table that makes no sense", card("swap /dev/sdc1 sometimes"), "sdb", no, "swap table is not known"},
		{
			"a btrfs of which no disk is told",
			card("mount 0:45 /mnt btrfs /dev/sdc1"),
			"sdb", no, "btrfs devices is not known",
		},
		{
			"a btrfs of which one disk is lost",
			card("mount 0:45 /mnt btrfs /dev/sdc1; file sys/fs/btrfs/1/devices/sdc1 -; " +
				"file sys/fs/btrfs/1/devinfo/1/missing 0; file sys/fs/btrfs/1/devinfo/2/missing 1"),
			"sdb", no, "btrfs devices is not known",
		},
		{"a number of no block device", card("drop dev; attr dev 0:0"), "sdb", no, "dev is not known"},
		{"a size beyond all disks", card("drop size; attr size 36028797018963968"), "sdb", no, "size is not known"},
		{"a size below zero", card("drop size; attr size -1"), "sdb", no, "size is not known"},
		{"sectors of no bytes", card("attr queue/logical_block_size 0"), "sdb", no, "logical_block_size is not known"},
		{"sectors of an odd length", card("attr queue/logical_block_size 520"), "sdb", no, "logical_block_size is not known"},
		{"write protection that is neither on nor off", card("drop ro; attr ro 2"), "sdb", no, "ro is not known"},
		{"no media count, as in kernels before 5.15", card("drop diskseq"), "sdb", yes, ""},
		{
			"a card register that is none",
			"include mmc-slot\n" +
				"disk mmcblk2 179:192 platform/soc/fe360000.mmc/mmc_host/mmc2/mmc2:aaaa/block/mmcblk2 size=9\nattr device/cid 01",
			"mmcblk2", no, "cid is not known",
		},
	}
}

// attributeSituations are a card that lacks one file of sysfs, or has one that cannot be read or makes no sense.
func attributeSituations() []situation {
	var all []situation
	for _, file := range []string{
		"dev", "size", "ro", "removable", "hidden", "diskseq", "queue/logical_block_size", "queue/physical_block_size",
		"sdb1/dev", "sdb1/partition",
	} {
		for how, lines := range map[string]string{
			"missing": "drop " + file, "unreadable": "drop " + file + "\nattr " + file + "/x 1",
			"empty": "attr " + file, "garbage": "attr " + file + " ?!",
		} {
			if file+how != "diskseq"+"missing" {
				all = append(all, situation{file + " " + how, aCard + lines, "sdb", no, file + " is not known"})
			}
		}
	}
	for _, folder := range []string{"holders", "slaves", "sdb1/holders"} {
		all = append(all,
			situation{folder + " missing", aCard + "drop " + folder, "sdb", no, folder + " is not known"},
			situation{folder + " no folder", aCard + "drop " + folder + "\nattr " + folder + " ?!", "sdb", no, folder + " is"},
		)
	}
	return all
}
