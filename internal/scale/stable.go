package scale

import (
	"time"

	"pourbook/internal/gram"
)

// The rule by which a device that says nothing about stability is judged (common practice, no source): over
// 800 ms, from at least three readings with no gap above a second, the display moved by one division at most.
//
// Its known limit: paint that drips slower than a division per window looks stable. So a step is not ended by
// one stable reading alone; see Steady with a window of seconds, or let the mixer tap.
const (
	judgeWindow   = 800 * time.Millisecond
	judgeReadings = 3
	judgeGap      = time.Second
)

// Steady judges from readings alone whether a load has come to rest: with a window of 800 ms whether a reading
// is stable at all, with 2 s or 3 s whether the mixer has stopped pouring.
//
// A load is at rest once all readings of the last Window, at least three of them, lie within Within of each other.
// A gap above a second between two readings, a clock that went back, or a reading that is not OK starts afresh.
// A Steady with a Window and a Within of 0 or more is ready (less than 0 is never steady); it is not safe for
// concurrent use.
type Steady struct {
	Window  time.Duration
	Within  gram.Mass // the most that the readings may differ; usually one division
	Flagged bool      // also start afresh at every reading that the device itself calls moving

	lows, highs []mark // candidates for the lowest and the highest reading of the run, oldest first
	last        time.Time
	seq         int // of the last reading
	from        time.Time
	fromSeq     int
}

// A mark is a reading of the run that is, or may become, its lowest or highest.
type mark struct {
	mass  gram.Mass
	seq   int
	after time.Time // when the reading that followed it came; the run restarts there when this mark is dropped
}

// JudgeStable returns the Steady that stands in for the flag of a device that does not say whether it is stable.
func JudgeStable(division gram.Mass) *Steady { return &Steady{Window: judgeWindow, Within: division} }

// Add takes the next reading. It returns for how long the readings, up to and including this one, have lain within
// Within of each other, and whether that makes the load steady.
func (s *Steady) Add(r Reading) (since time.Duration, steady bool) {
	if r.Status != OK || (s.Flagged && !r.Stable) || s.Within < 0 {
		s.Reset()
		return 0, false
	}
	if gap := r.At.Sub(s.last); s.seq > 0 && (gap < 0 || gap > judgeGap) {
		s.Reset()
	}
	if s.seq == 0 {
		s.from, s.fromSeq = r.At, 1
	} else {
		// The reading before this one is always the newest mark on both sides.
		s.lows[len(s.lows)-1].after = r.At
		s.highs[len(s.highs)-1].after = r.At
	}
	s.seq++
	s.last = r.At

	m := mark{mass: r.Mass, seq: s.seq}
	for len(s.lows) > 0 && s.lows[len(s.lows)-1].mass >= m.mass {
		s.lows = s.lows[:len(s.lows)-1]
	}
	s.lows = append(s.lows, m)
	for len(s.highs) > 0 && s.highs[len(s.highs)-1].mass <= m.mass {
		s.highs = s.highs[:len(s.highs)-1]
	}
	s.highs = append(s.highs, m)

	for s.highs[0].mass-s.lows[0].mass > s.Within {
		side := &s.highs
		if s.lows[0].seq < s.highs[0].seq {
			side = &s.lows
		}
		s.from, s.fromSeq = (*side)[0].after, (*side)[0].seq+1
		*side = (*side)[1:]
	}

	since = r.At.Sub(s.from)
	return since, since >= s.Window && s.seq-s.fromSeq+1 >= judgeReadings
}

// Reset forgets all readings.
func (s *Steady) Reset() {
	*s = Steady{Window: s.Window, Within: s.Within, Flagged: s.Flagged, lows: s.lows[:0], highs: s.highs[:0]}
}
