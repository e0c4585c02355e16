package device

import (
	"path/filepath"
	"regexp"
	"strings"
)

// These are the names that the kernel gives to the folders along a device's path.
var (
	usbRoot     = regexp.MustCompile(`^usb\d+$`)
	usbPort     = regexp.MustCompile(`^\d+-\d+(\.\d+)*$`)
	mmcHost     = regexp.MustCompile(`^mmc\d+$`)
	nvmeFolder  = regexp.MustCompile(`^nvme(\d+|-subsys\d+)$`)
	ataPort     = regexp.MustCompile(`^ata\d+$`)
	virtioNode  = regexp.MustCompile(`^virtio\d+$`)
	scsiHost    = regexp.MustCompile(`^host\d+$`)
	scsiAddress = regexp.MustCompile(`^\d+:\d+:\d+:(\d+)$`)
	opticalName = regexp.MustCompile(`^(sr|pktcdvd)\d+$`)
	floppyName  = regexp.MustCompile(`^fd\d+$`)
)

// usbDevice gives the index of the USB device among the folders along a path: the last one, since those before are hubs. It is
// -1 where there is none.
func usbDevice(folders []string) int {
	for i := len(folders) - 1; i >= 0; i-- {
		if usbPort.MatchString(folders[i]) {
			return i
		}
	}
	return -1
}

// portPath tells through which port a disk is reached, empty where nothing tells it.
func portPath(folders []string) string {
	port, lun := "", ""
	if i := usbDevice(folders); i >= 0 {
		port = folders[i]
	}
	for _, f := range folders {
		switch {
		case mmcHost.MatchString(f) && port == "":
			return f
		case scsiAddress.MatchString(f):
			lun = scsiAddress.FindStringSubmatch(f)[1]
		}
	}
	// Readers with several slots show them as units of one USB device; without the unit two bays would be one.
	if port != "" && lun != "" && lun != "0" {
		return port + ":lun" + lun
	}
	return port
}

// usb reads what the USB device that a disk is reached through tells.
func (r *reader) usb(d *Disk, a *attributes) {
	folders := strings.Split(filepath.Dir(d.SysPath), "/")
	i := usbDevice(folders)
	if i < 0 {
		return
	}
	usb := &attributes{dir: filepath.Join(r.sys, filepath.Join(folders[:i+1]...)), prefix: folders[i] + "/"}
	d.LinkSpeed = usb.text("speed")
	d.Serial = usb.text("serial")
	a.gaps = append(a.gaps, usb.gaps...)
}

func transportOf(name string, folders []string) Transport {
	if opticalName.MatchString(name) {
		return TransportOptical
	}
	if len(folders) > 1 && folders[0] == "devices" && folders[1] == "virtual" && !hasFolder(folders, nvmeFolder) {
		return virtualTransport(name)
	}
	// The order matters: an SD slot behind USB is an MMC host, and a USB reader has a SCSI host.
	for _, t := range []struct {
		folder    *regexp.Regexp
		transport Transport
	}{
		{mmcHost, TransportMMC},
		{usbRoot, TransportUSB},
		{nvmeFolder, TransportNVMe},
		{ataPort, TransportATA},
		{virtioNode, TransportVirtio},
		{scsiHost, TransportSCSI},
	} {
		if hasFolder(folders, t.folder) {
			return t.transport
		}
	}
	return TransportOther
}

func virtualTransport(name string) Transport {
	for _, t := range []struct {
		prefix    string
		transport Transport
	}{
		{"loop", TransportLoop},
		{"zram", TransportRAM},
		{"ram", TransportRAM},
		{"dm-", TransportDM},
		{"md", TransportMD},
	} {
		if strings.HasPrefix(name, t.prefix) {
			return t.transport
		}
	}
	return TransportOther
}

func hasFolder(folders []string, shape *regexp.Regexp) bool {
	for _, f := range folders {
		if shape.MatchString(f) {
			return true
		}
	}
	return false
}
