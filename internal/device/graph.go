package device

import (
	"fmt"
	"slices"
)

// A node is one block device of a snapshot, disk or partition, with what other places may name it by.
type node struct {
	name   string
	dev    DevNumber
	dmName string
	disk   *Disk
	part   *Partition // nil for the whole disk
}

// graph tells which devices stand on which: a partition on its disk, a mapped device on its slaves, a loop device on what
// is attached to it. Both ends of each link are believed, so that one end that is missing hides nothing.
type graph struct {
	snapshot *Snapshot
	nodes    map[string]node
	order    []string // of the nodes, as the snapshot lists them
}

func newGraph(s *Snapshot) *graph {
	g := &graph{snapshot: s, nodes: map[string]node{}}
	for i := range s.Disks {
		d := &s.Disks[i]
		g.add(node{name: d.Name, dev: d.Dev, dmName: d.DMName, disk: d})
		for k := range d.Partitions {
			p := &d.Partitions[k]
			g.add(node{name: p.Name, dev: p.Dev, disk: d, part: p})
		}
	}
	return g
}

func (g *graph) add(n node) {
	g.nodes[n.name] = n
	g.order = append(g.order, n.name)
}

// named gives the node of a name. A name that sysfs does not list is still something that stands there.
func (g *graph) named(name string) node {
	if n, ok := g.nodes[name]; ok {
		return n
	}
	return node{name: name}
}

// knows tells whether a place is any device of the snapshot.
func (g *graph) knows(p Place) bool {
	for _, n := range g.nodes {
		if p.is(n) {
			return true
		}
	}
	return false
}

// holders gives the names of the disks that stand directly on a node, other than its partitions.
func (g *graph) holders(n node) []string {
	var names []string
	switch {
	case n.part != nil:
		names = append(names, n.part.Holders...)
	case n.disk != nil:
		names = append(names, n.disk.Holders...)
	}
	for i := range g.snapshot.Disks {
		d := &g.snapshot.Disks[i]
		if (d.Attached && d.Backing.is(n)) || slices.Contains(d.Slaves, n.name) {
			names = append(names, d.Name)
		}
	}
	return distinct(names)
}

// bases gives the nodes that a disk stands directly on.
func (g *graph) bases(d *Disk) []node {
	names := append([]string{}, d.Slaves...)
	for _, name := range g.order {
		if slices.Contains(g.holders(g.nodes[name]), d.Name) {
			names = append(names, name)
		}
	}
	var bases []node
	for _, name := range distinct(names) {
		bases = append(bases, g.named(name))
	}
	return bases
}

// A contact is a node whose bytes lie on the target, or that the target's bytes lie on.
type contact struct {
	node
	via  string // for the operator: how it hangs together with the target; empty for the target and its partitions
	base bool   // the target stands on it
}

// contacts gives everything that a write to the target could change the ground of: the target, its partitions and
// hardware areas, what stands on them at any depth, and what the target itself stands on, with all upon that.
func (g *graph) contacts(target *Disk) []contact {
	w := &walk{graph: g, target: target, seen: map[string]bool{}}
	w.whole(contact{node: g.named(target.Name)})
	w.down(target)
	for i := 0; i < len(w.found); i++ {
		below := w.found[i]
		for _, name := range g.holders(below.node) {
			w.whole(contact{node: g.named(name), via: "which stands on " + label(target, below.node)})
		}
	}
	return w.found
}

type walk struct {
	*graph
	target *Disk
	seen   map[string]bool
	found  []contact
}

func (w *walk) meet(c contact) bool {
	if w.seen[c.name] {
		return false
	}
	w.seen[c.name] = true
	w.found = append(w.found, c)
	return true
}

// whole adds a node and, where it is a whole disk, all that lies inside it.
func (w *walk) whole(c contact) {
	if !w.meet(c) || c.disk == nil || c.part != nil {
		return
	}
	for i := range c.disk.Partitions {
		w.meet(contact{node: w.named(c.disk.Partitions[i].Name), via: c.via, base: c.base})
	}
	for i := range w.snapshot.Disks {
		if area := &w.snapshot.Disks[i]; area.AreaOf == c.name {
			w.whole(contact{node: w.named(area.Name), via: c.via, base: c.base})
		}
	}
}

// down adds what a disk stands on. Of a partition's disk only the partition counts, and the disk where used as a whole.
func (w *walk) down(d *Disk) {
	for _, n := range w.bases(d) {
		if w.seen[n.name] {
			continue
		}
		via := fmt.Sprintf("which %s stands on", d.Name)
		w.whole(contact{node: n, via: via, base: true})
		if n.disk == nil {
			continue
		}
		if n.part != nil {
			w.meet(contact{node: w.named(n.disk.Name), via: via, base: true})
		}
		w.down(n.disk)
	}
}

// label names a node to the operator, as seen from the target.
func label(target *Disk, n node) string {
	switch {
	case n.name == target.Name:
		return "the disk"
	case n.part != nil && n.disk == target:
		return fmt.Sprintf("partition %d", n.part.Number)
	case n.dmName != "":
		return fmt.Sprintf("%s (%s)", n.name, n.dmName)
	}
	return n.name
}

func distinct(names []string) []string {
	seen := map[string]bool{}
	kept := names[:0:0]
	for _, name := range names {
		if !seen[name] {
			seen[name] = true
			kept = append(kept, name)
		}
	}
	return kept
}
