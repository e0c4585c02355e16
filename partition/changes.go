package partition

import (
	"fmt"
	"time"
)

// Changes tells the operator, in sentences without a full stop, what was changed on a medium since the imprint then was taken. It
// tells none only where the digests are the same.
func (i *Imprint) Changes(now *Imprint) []string {
	if i.Digest == now.Digest {
		return []string{}
	}
	told := []string{}
	if i.SizeBytes != now.SizeBytes {
		told = append(told, fmt.Sprintf("it has %d bytes, and had %d", now.SizeBytes, i.SizeBytes))
	}
	if i.TableDigest != now.TableDigest {
		told = append(told, "its partition table was changed")
	}
	before := make(map[int]*Volume, len(i.Volumes))
	for n := range i.Volumes {
		before[i.Volumes[n].Number] = &i.Volumes[n]
	}
	for n := range now.Volumes {
		v := &now.Volumes[n]
		if old := before[v.Number]; old != nil {
			told = append(told, old.changes(v)...)
		} else {
			told = append(told, v.where()+" was added")
		}
		delete(before, v.Number)
	}
	for n := range i.Volumes {
		if before[i.Volumes[n].Number] == &i.Volumes[n] {
			told = append(told, i.Volumes[n].where()+" is gone")
		}
	}
	if len(told) == 0 { // the table's kind or id, which its sectors tell as well, or an imprint that nobody has checked
		told = append(told, "what identifies it was changed")
	}
	return told
}

// where names the volume's place.
func (v *Volume) where() string {
	if v.Number == 0 {
		return "what fills the medium"
	}
	return fmt.Sprintf("partition %d", v.Number)
}

// what names what lies in a volume, and where.
func (v *Volume) what() string {
	kind := v.Kind
	if kind == "" {
		kind = "unknown content"
	}
	if v.Number == 0 {
		return "the " + kind + " on the medium"
	}
	return fmt.Sprintf("the %s in partition %d", kind, v.Number)
}

// changes tells what became of one volume. One that lies elsewhere, or is of another kind, is nothing to compare in detail.
func (v *Volume) changes(now *Volume) (told []string) {
	add := func(format string, values ...any) { told = append(told, fmt.Sprintf(format, values...)) }
	switch {
	case now.LengthBytes > v.LengthBytes:
		add("%s is larger than it was", v.where())
	case now.LengthBytes < v.LengthBytes:
		add("%s is smaller than it was", v.where())
	}
	switch {
	case now.StartBytes != v.StartBytes:
		add("%s starts at another place", v.where())
		return told
	case now.LengthBytes != v.LengthBytes && now.Kind == "" && v.Kind == "": // its end is what is covered of it
		return told
	case now.Kind != v.Kind:
		add("%s holds other than what it did: %s, before it was %s", v.where(), orNone(now.Kind), orNone(v.Kind))
		return told
	}
	if now.Label != v.Label {
		add("%s is labelled %q, before it was %q", v.what(), printable(now.Label), printable(v.Label))
	}
	if now.UUID != v.UUID {
		add("%s has another UUID", v.what())
	}
	if now.Digest != v.Digest {
		told = append(told, v.contentChanges(now)...)
	}
	return told
}

func (v *Volume) contentChanges(now *Volume) (told []string) {
	switch v.Kind {
	case "fat12", "fat16", "fat32", "exfat":
		return []string{"files were changed on " + v.what()}
	case "ext2", "ext3", "ext4":
		switch mounts := now.Mounts - v.Mounts; {
		case mounts == 1:
			told = append(told, v.what()+" was mounted once since")
		case mounts > 1:
			told = append(told, fmt.Sprintf("%s was mounted %d times since", v.what(), mounts))
		case mounts < 0:
			told = append(told, v.what()+" was checked since")
		}
		if now.WrittenAt != nil && (v.WrittenAt == nil || !now.WrittenAt.Equal(*v.WrittenAt)) {
			told = append(told, fmt.Sprintf("%s was last written to on %s", v.what(), now.WrittenAt.Format(time.RFC3339)))
		}
	}
	if len(told) == 0 {
		told = append(told, v.what()+" was written to")
	}
	return told
}
