package flash

import (
	"sync/atomic"
	"time"
)

// A Meter is what a running card shows to whoever looks: its writer and its proof add to it, a painter samples it, and
// neither waits for the other. The zero value is ready.
type Meter struct {
	step      atomic.Pointer[Step]
	pace      atomic.Pointer[Judgement]
	written   atomic.Int64
	end       atomic.Int64
	proven    atomic.Int64
	busyNanos atomic.Int64
	call      callUnderWay
}

// A Progress is one look at a Meter. Rates follow from the difference of two looks.
type Progress struct {
	Step         Step
	Pace         Judgement
	WrittenBytes int64
	EndBytes     int64 // the offset on the card up to which the last write went
	ProvenBytes  int64
	Busy         time.Duration // in which a write or flush was under way; it ends with the last completed call
}

// Look gives the present state.
func (m *Meter) Look() Progress {
	p := Progress{
		WrittenBytes: m.written.Load(), EndBytes: m.end.Load(), ProvenBytes: m.proven.Load(),
		Busy: time.Duration(m.busyNanos.Load()),
	}
	if s := m.step.Load(); s != nil {
		p.Step = *s
	}
	if j := m.pace.Load(); j != nil {
		p.Pace = *j
	}
	return p
}

// Enter says which step the card is in now.
func (m *Meter) Enter(step Step) { m.step.Store(&step) }

// Proved adds to the bytes that were read back and compared.
func (m *Meter) Proved(n int) { m.proven.Add(int64(n)) }

// writing tells whether the card is in a step that writes.
func (m *Meter) writing() bool {
	s := m.step.Load()
	return s != nil && (*s == StepClear || *s == StepBody || *s == StepHead)
}

func (m *Meter) wrote(n int, endBytes int64, busy time.Duration) {
	m.written.Add(int64(n))
	m.end.Store(endBytes)
	m.busyNanos.Add(int64(busy))
}
