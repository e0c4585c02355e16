package device

import (
	"fmt"
	"strings"
)

// A Policy is what the operator allows beyond the rule.
type Policy struct {
	// FixedOK allows a disk that is neither removable nor reached over USB or MMC. It overrides nothing else.
	FixedOK bool
}

// A Judgement says whether a disk may be written, and every reason why not, each a sentence for the operator.
type Judgement struct {
	Allowed bool     `json:"allowed"`
	Reasons []string `json:"reasons"`
}

// Judge decides whether a disk of the snapshot may be written. It looks at nothing but its arguments, and whatever the
// snapshot does not know counts against the disk.
func Judge(s *Snapshot, d *Disk, p Policy) Judgement {
	j := &judging{snapshot: s, disk: d, graph: newGraph(s)}
	j.kind()
	j.gaps()
	j.state()
	contacts := j.graph.contacts(d)
	j.held(contacts)
	j.vague(contacts)
	for _, c := range contacts {
		j.used(c)
	}
	j.unlisted()
	j.elsewhere()
	if !p.FixedOK && !cardLike(d) && !neverOffered(d) {
		j.say("it is a fixed disk (%s), neither removable nor on USB or MMC", d.Transport)
	}
	return Judgement{Allowed: len(j.reasons) == 0, Reasons: distinct(append([]string{}, j.reasons...))}
}

// cardLike tells whether a disk is one of those that cards are reached through.
func cardLike(d *Disk) bool {
	switch d.Transport {
	case TransportUSB, TransportMMC:
		return true
	case TransportLoop, TransportDM, TransportMD, TransportRAM, TransportOptical:
		return false
	}
	return d.Removable
}

// neverOffered tells whether a disk is of a kind that no permission opens.
func neverOffered(d *Disk) bool { return kindReason(d) != "" }

func kindReason(d *Disk) string {
	switch {
	case d.AreaOf != "":
		return fmt.Sprintf("it is a hardware area of %s (boot or replay-protected), not a card", d.AreaOf)
	case areaName(d.Name):
		return "it is a boot or replay-protected area of an MMC device, not a card"
	case d.Transport == TransportRAM:
		return "it is a disk in memory"
	case d.Transport == TransportOptical:
		return "it is an optical drive"
	case floppyName.MatchString(d.Name):
		return "it is a floppy drive"
	case d.Hidden:
		return "the kernel hides it from use"
	}
	return ""
}

// areaName knows a hardware area by name alone, for a tree that shows it outside its disk's folder.
func areaName(name string) bool {
	if !strings.HasPrefix(name, "mmcblk") {
		return false
	}
	return strings.Contains(name, "boot") || strings.HasSuffix(name, "rpmb")
}

type judging struct {
	snapshot *Snapshot
	disk     *Disk
	graph    *graph
	reasons  []string
}

func (j *judging) say(format string, args ...any) {
	j.reasons = append(j.reasons, fmt.Sprintf(format, args...))
}

func (j *judging) kind() {
	if r := kindReason(j.disk); r != "" {
		j.say("%s", r)
	}
}

// ownGaps holds every missing piece of its own against the disk.
func (j *judging) ownGaps() {
	for _, g := range j.disk.Unknown {
		j.say("its %s is not known: %s", g.Field, g.Why)
	}
}

// gaps holds every missing piece against the disk, its own and those that concern all disks.
func (j *judging) gaps() {
	j.ownGaps()
	for _, g := range j.snapshot.Unknown {
		j.say("the %s is not known: %s", g.Field, g.Why)
	}
}

func (j *judging) state() {
	if j.disk.ReadOnly {
		j.say("it is write-protected")
	}
	if j.disk.SizeBytes == 0 && !j.unknown("size") {
		switch j.disk.Transport {
		case TransportLoop:
			j.say("nothing is attached to it")
		default:
			j.say("there is no card in it")
		}
	}
}

func (j *judging) unknown(field string) bool {
	for _, g := range j.disk.Unknown {
		if g.Field == field {
			return true
		}
	}
	return false
}

// held tells what stands on the disk, its partitions, and whatever it stands on.
func (j *judging) held(contacts []contact) {
	bases := map[string]bool{j.disk.Name: true}
	for _, c := range contacts {
		bases[c.name] = bases[c.name] || c.base
	}
	for _, c := range contacts {
		if c.via != "" && !c.base {
			continue // what stands on a holder is told where it is used
		}
		for _, name := range j.graph.holders(c.node) {
			// A holder of the disk itself stands on it, also where it is told of as the ground, too.
			if c.via == "" || !bases[name] {
				j.say("%s is held by %s", c.told(j.disk), label(j.disk, j.graph.named(name)))
			}
		}
	}
}

// vague holds it against the disk when too little is known of what it stands on.
func (j *judging) vague(contacts []contact) {
	for _, c := range contacts {
		if c.base && (c.disk == nil || len(c.disk.Unknown) > 0) {
			j.say("too little is known of %s", strings.TrimSuffix(c.told(j.disk), ","))
		}
	}
}

func (c contact) told(target *Disk) string {
	if c.via == "" {
		return label(target, c.node)
	}
	return label(target, c.node) + ", " + c.via + ","
}

// used tells where a node is mounted or swapped to, and what else needs it.
func (j *judging) used(c contact) {
	for i := range j.snapshot.Mounts {
		m := &j.snapshot.Mounts[i]
		if !m.on(c.node) {
			continue
		}
		j.say("%s is mounted at %s", c.told(j.disk), m.Point)
		if j.ofSystem(m) {
			j.say(holdsSystem)
		}
	}
	for _, s := range j.snapshot.Swaps {
		if s.is(c.node) {
			j.say("%s is in use as swap space", c.told(j.disk))
		}
	}
	for _, m := range j.snapshot.Members {
		if m.Name == c.name {
			j.say("%s belongs to a %s file system that is in use", c.told(j.disk), m.Kind)
		}
	}
}

// holdsSystem is the reason that no permission and no other card will ever lift.
const holdsSystem = "it holds the running system"

// ofSystem tells whether a mount is the root of the running system, or of its layers.
func (j *judging) ofSystem(m *Mount) bool { return m.Point == "/" || j.layerOfRoot(m) }

// on tells whether a mount stands on a node, by device number or by source.
func (m *Mount) on(n node) bool {
	if m.Dev.Major != 0 && m.Dev == n.dev {
		return true
	}
	for _, p := range m.Sources {
		if p.is(n) {
			return true
		}
	}
	return false
}

// unlisted catches a mount or swap area on a partition of this disk that sysfs does not list.
func (j *judging) unlisted() {
	check := func(p Place, use string) {
		if _, listed := j.graph.nodes[p.Name]; !listed && isPartitionName(j.disk.Name, p.Name) {
			j.say("%s, which the kernel does not list, is %s", p.Name, use)
		}
	}
	for _, m := range j.snapshot.Mounts {
		for _, p := range m.Sources {
			check(p, "mounted at "+m.Point)
		}
	}
	for _, s := range j.snapshot.Swaps {
		check(s.Place, "in use as swap space")
	}
}
