package pour

import "pourbook/internal/gram"

// Zone says where a reading stands within the open step.
type Zone string

// The zones, each a word and a shape on the screen.
const (
	ZonePour   Zone = "pour"
	ZoneSlowly Zone = "slowly"
	ZoneStop   Zone = "stop"
	ZoneOver   Zone = "over"
	ZoneLifted Zone = "lifted" // the reading fell: the cup is off, or something was taken out
)

// liftedBy is how far a reading must fall below the last booked one before the cup counts as lifted: more than a
// draught or a drift does. Common practice, no source.
const liftedBy = 3 * gram.Gram

// At returns where a gross reading stands in the open step, and the grams still to pour (below zero: too much).
func (s State) At(gross gram.Mass) (Zone, gram.Mass) {
	step, ok := s.Open()
	if !ok {
		return ZoneStop, 0
	}
	division := s.Plan.Balance.At(gross)
	net := gross - s.Last
	left := step.Aim - net
	switch {
	case net < -max(liftedBy, 5*division):
		return ZoneLifted, step.Aim
	case left < -step.Tolerance:
		return ZoneOver, left
	case left <= division:
		return ZoneStop, left
	case left <= max(10*division, step.Aim/10):
		return ZoneSlowly, left
	}
	return ZonePour, left
}

// Enough reports whether the open step may be booked at a gross reading without leaving a rest.
func (s State) Enough(gross gram.Mass) bool {
	step, ok := s.Open()
	net := gross - s.Last
	return ok && net > 0 && step.Aim-net <= step.Tolerance
}
