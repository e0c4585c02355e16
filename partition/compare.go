package partition

import (
	"fmt"
	"strings"
)

// Compare holds a card's table against the image's and gives what differs in the table itself and in the file systems.
// A card larger than the image is no difference, nor is what follows from that. Without one of the two tables it says that
// nothing was compared.
func Compare(image, card *Table) []Finding {
	if image == nil || card == nil {
		return []Finding{{
			"card-not-compared", Warning, "The card's table was not compared, as it or the image's is not known.",
			fmt.Sprintf("image known: %t, card known: %t", image != nil, card != nil),
		}}
	}
	var c comparison
	c.values("card-table-kind-differs", "The card has another kind of partition table than the image.", string(image.Kind), string(card.Kind))
	c.values("card-table-id-differs", "The card's partition table has another id than the image's.", image.ID, card.ID)
	if image.Kind != SchemeNone || card.Kind != SchemeNone {
		c.values("card-sector-size-differs", "The card's partition table counts in other sectors than the image's.",
			fmt.Sprintf("%d bytes", image.SectorBytes), fmt.Sprintf("%d bytes", card.SectorBytes))
	}
	c.values("card-filesystem-differs", "The file system that fills the card is not the image's.",
		fileSystemText(image.FileSystem), fileSystemText(card.FileSystem))
	c.partitions(image.Partitions, card.Partitions)
	return c.findings
}

type comparison struct{ findings []Finding }

func (c *comparison) values(code, sentence, image, card string) {
	if image != card {
		c.findings = append(c.findings, Finding{code, Fault, sentence, fmt.Sprintf("image: %s; card: %s", orNone(image), orNone(card))})
	}
}

func orNone(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

// partitions pairs them by their numbers. Where a record that nobody has checked gives one twice, they are paired in order.
func (c *comparison) partitions(image, card []Partition) {
	onCard := make(map[int][]*Partition, len(card))
	for i := range card {
		onCard[card[i].Number] = append(onCard[card[i].Number], &card[i])
	}
	for i := range image {
		p := &image[i]
		others := onCard[p.Number]
		if len(others) == 0 {
			c.findings = append(c.findings, Finding{
				"card-partition-missing", Fault, fmt.Sprintf("The card lacks partition %d of the image.", p.Number), p.text(),
			})
			continue
		}
		other := others[0]
		onCard[p.Number] = others[1:]
		c.values("card-partition-differs", fmt.Sprintf("Partition %d of the card is not the image's.", p.Number), p.text(), other.text())
		c.values("card-filesystem-differs", fmt.Sprintf("The file system in partition %d of the card is not the image's.", p.Number),
			fileSystemText(p.FileSystem), fileSystemText(other.FileSystem))
	}
	for i := range card {
		p := &card[i]
		if left := onCard[p.Number]; len(left) > 0 && left[0] == p {
			onCard[p.Number] = left[1:]
			c.findings = append(c.findings, Finding{
				"card-partition-added", Fault, fmt.Sprintf("The card has a partition %d that the image lacks.", p.Number), p.text(),
			})
		}
	}
}

// text gives every value that the table holds of a partition.
func (p *Partition) text() string {
	text := fmt.Sprintf("LBA %d, %d sectors, type %s", p.StartLBA, p.Sectors, p.Type)
	if p.Boot {
		text += ", boot"
	}
	if p.GUID != "" {
		text += ", GUID " + p.GUID
	}
	if p.Name != "" {
		text += fmt.Sprintf(", name %q", p.Name)
	}
	return text
}

func fileSystemText(fs *FileSystem) string {
	if fs == nil {
		return ""
	}
	parts := []string{fs.Kind}
	if fs.Label != "" {
		parts = append(parts, fmt.Sprintf("label %q", fs.Label))
	}
	if fs.UUID != "" {
		parts = append(parts, fmt.Sprintf("UUID %q", fs.UUID))
	}
	return strings.Join(append(parts, fmt.Sprintf("%d bytes", fs.SizeBytes)), ", ")
}
