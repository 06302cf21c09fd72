package bench

import (
	"slices"
	"time"

	"pourbook/internal/gram"
)

// The rules of this file tell a pour from everything else that makes a reading change: a cup lifted and put back, tare
// pressed, a zero that drifts, a stick left in, another cup, solvent gone off, a shaken bench, a display that hangs.
// They see readings alone, decide nothing about paint and book nothing: what no pour explains becomes a question, and
// until it is answered nothing is accepted. All times and sizes are common practice, no source.
const (
	standFor    = 500 * time.Millisecond // as long a reading must stand before it is compared
	blindAfter  = 4 * time.Second        // between two readings; longer, and something may have happened unseen
	quickScale  = 300 * time.Millisecond // between two readings of a scale on which a stick can be told from a stroke of paint
	putWithin   = 1500 * time.Millisecond
	placeWithin = time.Second // a stick drops in faster than anybody pours as much
	placeLeast  = 2 * gram.Gram
	restBefore  = 2 * time.Second
	creepFor    = 30 * time.Second // so slowly nobody pours
	shakeFor    = 6 * time.Second
	hungMoving  = 5 * time.Second  // a display that moves and never changes
	hungStill   = 45 * time.Second // a display that stands in mid-pour
	trailFor    = 8 * time.Second
	trailMost   = 1024
	cupLeast    = 2 * gram.Gram // lighter is no cup
)

// slack is how far a reading may be off without a question: the display rounds both readings to a division.
const slackDivisions = 2

// QuestionKind is what a question is about.
type QuestionKind string

// The kinds.
const (
	AskAway    QuestionKind = "away"    // less than an empty cup: it is off the scale
	AskZeroed  QuestionKind = "zeroed"  // nothing at all: it is off, or somebody pressed tare
	AskHeavier QuestionKind = "heavier" // more than before, and nobody saw it poured
	AskLighter QuestionKind = "lighter" // less than before
)

// Question is a change of the reading that no pour explains. Before is the last settled reading that is explained,
// After the first that is not; what is poured after that counts on from there.
type Question struct {
	No            int
	Kind          QuestionKind
	Before, After gram.Mass
	AtOnce        bool      // it changed from one reading to the next
	Slow          bool      // it crept
	Unsettled     bool      // paint was on its way when it happened, so Before leaves out some of it
	Flying        gram.Mass // the reading just before it fell to nothing at once, where it had not settled; 0: it had
	Tared         bool      // the cup was off, and the display jumped to what it read with it: nobody can tell whether it is back
}

// sight is a reading as the rules see it.
type sight struct {
	mass    gram.Mass
	settled bool      // the device, or the rule that stands in for it, calls it stable
	at      time.Time // in the time of the scale's world
	came    time.Time // by the bench's own clock: what was missed is judged by that
}

// cupFacts is what the rules know of the cup.
type cupFacts struct {
	cup     gram.Mass // reading of the empty cup
	last    gram.Mass // last reading that was booked
	balance gram.Balance
}

// guard watches the readings of one cup while something is to be poured.
type guard struct {
	explained gram.Mass // last settled reading that pours explain; what creeps away from it adds up
	rested    gram.Mass // last settled reading that was as near to it as not to be asked about
	unwatched bool      // something may have happened unseen: the next settled reading is compared
	question  *Question
	asked     int // questions so far

	trail  []sight
	stand  sight     // where the reading stands, and since when
	exact  time.Time // when it last read what is explained, to the division
	moved  bool      // since then it was seen to move
	shaken *swing
	hung   bool
	same   sight // the mass that has not changed, and since when
}

// swing is how a reading that never settles goes to and fro.
type swing struct{ low, high, middle gram.Mass }

// restart makes the guard compare the next settled reading with what is known.
func (g *guard) restart(known gram.Mass) {
	*g = guard{explained: known, rested: known, unwatched: true, asked: g.asked}
}

// blind says that readings were missed.
func (g *guard) blind() {
	g.unwatched, g.moved = true, true
	g.stand, g.trail, g.shaken, g.hung, g.same = sight{}, g.trail[:0], nil, false, sight{}
}

// add takes the next good reading.
func (g *guard) add(r sight, f cupFacts) {
	if n := len(g.trail); n > 0 {
		if gap := r.came.Sub(g.trail[n-1].came); gap < 0 || gap > blindAfter {
			g.blind()
		}
	}
	g.trail = append(g.trail, r)
	if first := g.trail[0]; len(g.trail) > trailMost || r.at.Sub(first.at) > 2*trailFor {
		from := slices.IndexFunc(g.trail, func(s sight) bool { return r.at.Sub(s.at) <= trailFor })
		g.trail = append(g.trail[:0], g.trail[max(from, len(g.trail)-trailMost/2):]...)
	}
	division := max(f.balance.At(r.mass), f.balance.At(g.explained))
	if n := len(g.trail); !r.settled || n > 1 && (r.mass-g.trail[n-2].mass).Abs() > slackDivisions*division {
		g.moved = true
	}
	if r.settled && g.question == nil && (r.mass-g.explained).Abs() <= slackDivisions*division {
		g.unwatched = false // it is as it was: from here on it is watched
	}
	if r.mass == g.explained && r.settled {
		g.exact, g.moved = r.at, false
	}
	g.watchHanging(r, f)
	g.watchShaking(r, division)
	if !r.settled || g.stand.at.IsZero() || (r.mass-g.stand.mass).Abs() > division {
		g.stand = r
	}
	switch {
	case r.settled && r.at.Sub(g.stand.at) >= standFor:
		g.judge(r, division, f)
	case g.shaken != nil:
		g.judge(sight{mass: g.shaken.middle, at: r.at}, max(division, (g.shaken.high-g.shaken.low)/4), f)
	}
}

// judge compares a settled reading with the last that is explained.
func (g *guard) judge(r sight, division gram.Mass, f cupFacts) {
	slack := slackDivisions * division
	if g.question != nil {
		g.followUp(r, slack, f)
		return
	}
	unseen := g.unwatched
	g.unwatched = false
	change := r.mass - g.explained
	switch {
	case change.Abs() <= slack: // as it was; what is explained stays, so that a drift adds up until it shows
		g.rested = r.mass
	case change < 0:
		g.ask(g.kindOf(r.mass, slack, f), r, slack)
	case unseen, g.placed(r, change, slack), g.crept(r, f, slack):
		g.ask(AskHeavier, r, slack)
	default:
		g.explained, g.rested = r.mass, r.mass
		g.exact, g.moved = r.at, false
	}
}

// followUp sees whether a question has answered itself, or has become another one.
func (g *guard) followUp(r sight, slack gram.Mass, f cupFacts) {
	q := g.question
	// A fall is never a pour. A rise back to where it was is the cup put back where it is quick, or the display creeping back;
	// otherwise it is paint that happens to weigh as much.
	asBefore := r.mass <= q.After || q.Slow && !g.moved || g.within(r, q.After, slack, putWithin)
	if (r.mass-q.Before).Abs() <= slack && asBefore && !q.Tared {
		if q.Kind == AskAway && q.Before.Abs() <= slack && g.jumped(q.After, slack) {
			g.renew(AskZeroed, r.mass)
			g.question.Tared = true
			return
		}
		g.question, g.unwatched, g.rested = nil, false, r.mass
		return
	}
	kind := g.kindOf(r.mass, slack, f)
	off := kind == AskAway || kind == AskZeroed
	switch {
	case (q.Kind == AskAway || q.Kind == AskZeroed) && !off && g.within(r, q.After, slack, putWithin):
		// It was lifted and has come back other than it went.
		g.renew(kind, r.mass)
	case (q.Kind == AskHeavier || q.Kind == AskLighter) && off, q.Kind == AskAway && kind == AskZeroed:
		g.renew(kind, r.mass)
	case q.Kind == AskAway && off, q.Kind == AskLighter && r.mass < q.After, q.Slow && !g.moved && r.mass > q.After:
		q.After = r.mass // it is still on its way
	}
}

// back says that the cup is on the scale again, where the rules did not notice.
func (g *guard) back(f cupFacts) {
	if g.question == nil || len(g.trail) == 0 {
		return
	}
	r := g.trail[len(g.trail)-1]
	if (r.mass - g.question.Before).Abs() <= slackDivisions*f.balance.At(r.mass) {
		g.question, g.unwatched, g.rested = nil, false, r.mass
		return
	}
	kind := AskHeavier
	if r.mass < g.question.Before {
		kind = AskLighter
	}
	g.renew(kind, r.mass)
}

func (g *guard) renew(kind QuestionKind, after gram.Mass) {
	g.asked++
	g.question = &Question{No: g.asked, Kind: kind, Before: g.question.Before, After: after, Unsettled: g.question.Unsettled}
}

func (g *guard) ask(kind QuestionKind, r sight, slack gram.Mass) {
	g.asked++
	// What went step by step, each too small to be asked about, is asked about as a whole.
	q := &Question{No: g.asked, Kind: kind, Before: g.rested, After: r.mass, Slow: (r.mass - g.rested).Abs() <= slack}
	if q.Slow {
		q.Before = g.explained
	}
	q.AtOnce = !q.Slow && g.jumped(q.Before, slack)
	g.look(q, r, slack)
	g.question = q
}

// look sees whether paint was on its way when the reading fell: somebody lifts a cup as soon as the stream has ended.
func (g *guard) look(q *Question, r sight, slack gram.Mass) {
	if q.Slow || q.After > q.Before {
		return
	}
	fell := len(g.trail) - 1
	for fell > 0 && (g.trail[fell-1].mass-r.mass).Abs() <= slack {
		fell--
	}
	for i := fell - 1; i >= 0; i-- {
		s := g.trail[i]
		if s.settled && (s.mass-q.Before).Abs() <= slack {
			return
		}
		if s.mass > q.Before+slack {
			q.Unsettled = true
			if i == fell-1 && q.Kind == AskZeroed {
				q.Flying, q.AtOnce = s.mass, true
			}
			return
		}
	}
}

// answered forgets the question: what came in is the toner, or the event that follows shifts what is known.
func (g *guard) answered() {
	if g.question != nil {
		g.explained, g.rested = g.question.After, g.question.After
		g.question, g.unwatched = nil, false
	}
}

// kindOf says what a reading other than before can be.
func (g *guard) kindOf(mass, slack gram.Mass, f cupFacts) QuestionKind {
	before := g.explained
	if g.question != nil {
		before = g.question.Before
	}
	switch {
	case mass > before:
		return AskHeavier
	case mass.Abs() <= slack:
		return AskZeroed
	case mass < f.cup-max(cupLeast, 2*slack):
		return AskAway
	}
	return AskLighter
}

// placed reports whether something as heavy as a stick or more dropped in at once, after a rest.
func (g *guard) placed(r sight, change, slack gram.Mass) bool {
	if change < placeLeast || !g.within(r, g.explained, slack, placeWithin) {
		return false
	}
	// It rested before: every reading of the time before the change stood where it was.
	left := g.leftAt(g.explained, slack)
	if g.trail[left+1].at.Sub(g.trail[left].at) > quickScale {
		return false
	}
	rested := time.Duration(0)
	for i := left; i >= 0 && (g.trail[i].mass-g.explained).Abs() <= slack; i-- {
		rested = g.trail[left].at.Sub(g.trail[i].at)
	}
	return rested >= restBefore
}

// crept reports whether a cup into which nothing was poured yet has become heavier more slowly than anybody pours.
func (g *guard) crept(r sight, f cupFacts, slack gram.Mass) bool {
	return !g.moved && g.explained-f.last <= slack && !g.exact.IsZero() && r.at.Sub(g.exact) >= creepFor
}

// leftAt returns the last reading of the trail that stood at mass, or -1.
func (g *guard) leftAt(mass, slack gram.Mass) int {
	for i := len(g.trail) - 1; i >= 0; i-- {
		if (g.trail[i].mass - mass).Abs() <= slack {
			return i
		}
	}
	return -1
}

// within reports whether the reading went from one place to where it is now in so short a time: the last twentieth of
// the way does not count, since a display settles slowly.
func (g *guard) within(r sight, from, slack gram.Mass, limit time.Duration) bool {
	near := max(slack, (r.mass-from).Abs()/20)
	left := g.leftAt(from, near)
	if left < 0 || left == len(g.trail)-1 {
		return false
	}
	arrived := len(g.trail) - 1
	for arrived > left+1 && (g.trail[arrived-1].mass-r.mass).Abs() <= near {
		arrived--
	}
	return g.trail[arrived].at.Sub(g.trail[left].at) <= limit
}

// jumped reports whether the reading went from one place to where it is now without being seen in between, as a cup on
// its way is.
func (g *guard) jumped(from, slack gram.Mass) bool {
	left := g.leftAt(from, slack)
	return left >= 0 && left+1 < len(g.trail) && (g.trail[left+1].mass-g.trail[len(g.trail)-1].mass).Abs() <= slack
}

// watchHanging sees a display that has stopped: one that calls itself moving and never changes, or one that stands in
// mid-pour for long, which may also be a mixer who waits.
func (g *guard) watchHanging(r sight, f cupFacts) {
	if r.mass != g.same.mass || r.settled != g.same.settled || g.same.at.IsZero() {
		g.same, g.hung = r, false
		return
	}
	stood := r.at.Sub(g.same.at)
	switch {
	case !r.settled && stood >= hungMoving:
		g.hung, g.unwatched = true, true
	case r.settled && stood >= hungStill && r.mass-f.last > slackDivisions*f.balance.At(r.mass):
		g.hung = true
	}
}

// watchShaking sees a reading that goes to and fro around one place and never settles, as with a fan under the bench.
func (g *guard) watchShaking(r sight, division gram.Mass) {
	g.shaken = nil
	from := len(g.trail)
	for from > 0 && !g.trail[from-1].settled && r.at.Sub(g.trail[from-1].at) <= shakeFor {
		from--
	}
	run := g.trail[from:]
	if len(run) < 8 || r.at.Sub(run[0].at) < shakeFor-standFor {
		return
	}
	low, high, sum, early := run[0].mass, run[0].mass, gram.Mass(0), gram.Mass(0)
	half := len(run) / 2
	lateLow, lateHigh := run[half].mass, run[half].mass
	for i, s := range run {
		low, high, sum = min(low, s.mass), max(high, s.mass), sum+s.mass
		if i < half {
			early += s.mass
		} else {
			lateLow, lateHigh = min(lateLow, s.mass), max(lateHigh, s.mass)
		}
	}
	swinging := high - low
	first, second := early/gram.Mass(half), (sum-early)/gram.Mass(len(run)-half)
	if swinging < 3*division || lateHigh-lateLow < 2*division || (second-first).Abs() > max(division, swinging/6) {
		return // it goes somewhere: somebody pours
	}
	g.shaken = &swing{low: low, high: high, middle: (sum / gram.Mass(len(run))).Round(division)}
}
