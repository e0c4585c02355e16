package report

import (
	"time"

	"cardwright/flash/source"
	"cardwright/internal/logbook"
)

// A Document is the result of one flash or check command.
type Document struct {
	Stamp
	Image source.Facts  `json:"image"`
	Cards []logbook.Run `json:"cards"`
}

// A Stamp is what every JSON document carries beside its result.
type Stamp struct {
	ProgramVersion string    `json:"program_version"`
	StartedAt      time.Time `json:"started_at"`
	ExitCode       int       `json:"exit_code"`
}
