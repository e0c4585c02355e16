package job

import (
	"context"
	"errors"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// sectorOf is the sector size that a card's table is read with; a regular file is read as an image is.
func sectorOf(card flash.Card) int64 {
	return max(partition.ImageSectorBytes, int64(card.SectorBytes()))
}

// An excerpt is what the pump let pass of the image's table, so that the table is known from the source and not from the
// card that is held against it. The pump alone writes it, until the image ended.
type excerpt struct{ kept *partition.Excerpt }

// observed lets an excerpt of the image grow while the pump runs.
func observed(pump *flash.Pump, image Image) *excerpt {
	e := &excerpt{}
	pump.Observe = func(b flash.Block, data []byte) {
		if b.Index == 0 {
			e.kept = partition.NewExcerpt(data)
			if declared, known := image.DeclaredBytes(); known {
				e.kept.ExpectSize(declared)
			}
			return
		}
		e.kept.Observe(b.OffsetBytes, data)
	}
	return e
}

// table is the image's table: from what was kept, else from the card where the image lies.
func (e *excerpt) table(card flash.Card, imageBytes int64) (*partition.Table, error) {
	table, err := partition.Inspect(e.kept.View(newTableReader(card)), imageBytes, sectorOf(card))
	if err != nil {
		return nil, inspectFailed(err)
	}
	return table, nil
}

// inspectFailed is a failed inspection: of a card with the place that could not be read.
func inspectFailed(err error) error {
	if failed, ok := errors.AsType[*flash.Error](err); ok {
		return failed
	}
	return &flash.Error{Step: flash.StepInspect, Err: err}
}

// TableOn reads the partition table and the file systems that a card holds. The error is a *flash.Error.
func TableOn(card flash.Card) (*partition.Table, error) {
	table, err := partition.Inspect(newTableReader(card), card.SizeBytes(), sectorOf(card))
	if err != nil {
		return nil, inspectFailed(err)
	}
	return table, nil
}

// TableOf reads an image to its end and gives the partition table and the file systems that it holds, without an unpacked
// copy of it. The error is the image's or the context's.
func TableOf(ctx context.Context, image Image) (*partition.Table, error) {
	pump := flash.NewPump(flash.NewPool(buffersForSource))
	excerpt := observed(pump, image)
	if err := pump.Run(ctx, image); err != nil {
		return nil, err
	}
	return partition.Inspect(excerpt.kept.View(nil), pump.Manifest().ImageBytes, partition.ImageSectorBytes)
}

// inspect reads the card's table into the run, holds it against the image's, and gives the image's.
func inspect(run *logbook.Run, card flash.Card, e *excerpt, imageBytes int64) (*partition.Table, error) {
	found, err := TableOn(card)
	if err != nil {
		return nil, err
	}
	run.Table = found
	image, err := e.table(card, imageBytes)
	if err != nil {
		return nil, err
	}
	run.Findings = append(run.Findings, partition.Compare(image, found)...)
	if f, cut := cutShort(image); cut {
		find(run, f)
	}
	return image, nil
}

// imprint takes the imprint of a card whose table was just read into the run. A card of which that fails is intact all the same:
// what is lost is only that it will not be known again as untouched. The error is that of a card that is gone.
func imprint(run *logbook.Run, card flash.Card) error {
	taken, err := partition.TakeImprint(newTableReader(card), run.Table)
	switch {
	case err == nil:
		run.Imprint = taken
	case errors.Is(err, flash.ErrGone):
		return inspectFailed(err)
	case !errors.Is(err, partition.ErrNoImprint):
		find(run, partition.Finding{
			Code: "imprint-not-taken", Severity: partition.Warning,
			Sentence: "The card will not be known again as untouched, since reading it once more failed.", Evidence: err.Error(),
		})
	}
	return nil
}

// cutShort tells whether the image's own table has more in it than the image: what is missing then can be on no card.
func cutShort(image *partition.Table) (partition.Finding, bool) {
	for _, f := range image.Findings {
		if f.Code == "partition-beyond-end" {
			return partition.Finding{
				Code: "image-cut-short", Severity: partition.Fault,
				Sentence: "The image ends before its own partitions do: it may have been cut off.", Evidence: f.Evidence,
			}, true
		}
	}
	return partition.Finding{}, false
}

// nameDamage says in which partition and file system of the image each damaged run of blocks lies.
func nameDamage(damage []verify.Damage, image *partition.Table) {
	for i, d := range damage {
		damage[i].Partition = image.Locate(d.OffsetBytes, d.LengthBytes)
	}
}
