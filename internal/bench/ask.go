package bench

import (
	"fmt"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/scale"
)

// CausePaint is the answer that the toner of the open step came in while nobody looked. It books nothing by itself: the
// next pour does.
const CausePaint pour.Cause = "paint"

// CauseBack is the answer that the cup is on the scale again.
const CauseBack pour.Cause = "back"

// Ask is a question as a screen shows it, with the answers that make sense, the likeliest first.
type Ask struct {
	No      int
	Kind    QuestionKind
	Say     string
	Answers []Answer
}

// Answer is what the mixer may say.
type Answer struct {
	Cause pour.Cause
	Label string
}

// askOf puts a question into words.
func askOf(q Question, s pour.State) *Ask {
	d := s.Plan.Balance.At(max(q.Before, q.After))
	a := &Ask{No: q.No, Kind: q.Kind}
	by := (q.After - q.Before).Abs().Show(d)
	answer := func(c pour.Cause, label string) { a.Answers = append(a.Answers, Answer{c, label}) }
	toner := "the toner"
	if step, ok := s.Open(); ok {
		toner = s.Component(step.Key).Name
	}
	switch q.Kind {
	case AskAway:
		a.Say = "The cup is off the scale. Put it back and go on where you were."
		answer(CauseBack, "It is back")
	case AskZeroed:
		a.Say = fmt.Sprintf("The scale read %s g and now reads %s. If the cup is off, put it back. If tare was pressed with the cup on, say so: what came in since then still counts.", q.Before.Show(d), q.After.Show(d))
		if q.AtOnce {
			a.Say = fmt.Sprintf("The scale fell from %s g to %s at once, as when tare is pressed. If that is so, say so: what came in since then still counts. If the cup is off, put it back.", q.Before.Show(d), q.After.Show(d))
		}
		if q.Tared {
			a.Say = fmt.Sprintf("The cup was off, and the display has jumped to %s g, which is what it read before. Is the cup back on? If tare was pressed without it, put it on.", q.After.Show(d))
			answer(CausePaint, "It is back on")
			break
		}
		answer(pour.CauseDisplay, "Tare was pressed")
		answer(CauseBack, "The cup was off and is back")
	case AskHeavier:
		if q.Unsettled {
			a.Say = fmt.Sprintf("%s g more are on the scale than when it last stood still. Take out whatever is not paint; then the rest is %s.", by, toner)
			answer(CausePaint, "It is all "+toner)
			break
		}
		a.Say = fmt.Sprintf("%s g more are on the scale than before, and nobody saw them poured. What are they?", by)
		if q.Slow {
			a.Say = fmt.Sprintf("%s g more came so slowly that nobody can have poured them. What are they?", by)
		} else {
			answer(CausePaint, "It is "+toner)
		}
		answer(pour.CauseObject, "A stick or a lid")
		answer(pour.CauseCup, "It is in another cup")
		answer(pour.CauseDisplay, "The display moved")
		if q.Slow {
			a.Answers = append([]Answer{a.Answers[2]}, append(a.Answers[:2:2], Answer{CausePaint, "It is " + toner})...)
		}
	case AskLighter:
		a.Say = fmt.Sprintf("%s g less are on the scale than before. Why?", by)
		if fall := q.Before - q.After; fall <= max(s.Contents()/20, 3*gram.Gram) && fall < s.Contents() {
			answer(pour.CauseSolvent, "Solvent has gone off")
		}
		if q.Before-q.After < s.Contents() {
			answer(pour.CauseTaken, "Some was taken out or spilt")
		}
		answer(pour.CauseObject, "A stick or a lid came out")
		answer(pour.CauseCup, "It is in another cup")
		answer(pour.CauseDisplay, "The display moved")
	}
	return a
}

// facts are what the rules know of a cup.
func (b *Bench) facts(s pour.State) cupFacts {
	return cupFacts{cup: s.CupReading, last: s.Last, balance: b.balance}
}

// known is the last reading that was booked or held.
func known(s pour.State) gram.Mass {
	if s.Held != nil {
		return *s.Held
	}
	return s.Last
}

// follow keeps the guard in step with its cup.
func (b *Bench) follow(old, now pour.State) {
	waits, waited := now.Need() == pour.NeedPour, old.Need() == pour.NeedPour
	switch {
	case !waits:
	case old.CupReading != now.CupReading || old.Cup.Name != now.Cup.Name:
		b.guard.restart(known(now))
		b.guard.unwatched = false
	case !waited: // something else was done with the cup: what it weighs now is compared first
		b.guard.restart(known(now))
		b.guard.unwatched = b.lost || b.last.Status != scale.OK || (b.last.Mass-known(now)).Abs() > slackDivisions*b.balance.At(known(now))
	case b.guard.question == nil && old.Decided != now.Decided:
		b.guard.explained, b.guard.rested = known(now), known(now)
	}
}

// Question tells what a reading has done that no pour explains, nil where nothing has.
func (b *Bench) question(s pour.State) *Ask {
	if b.guard.question == nil || s.Need() != pour.NeedPour {
		return nil
	}
	return askOf(*b.guard.question, s)
}

// Explain answers a question with what books nothing: CausePaint, or that the cup is back on the scale. It reports false
// where the question is another one by now.
func (b *Bench) Explain(batch string, no int, cause pour.Cause) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	q := b.guard.question
	c := b.cups[batch]
	if b.active != batch || c == nil || q == nil || q.No != no {
		return false
	}
	switch cause {
	case CausePaint:
		b.guard.answered()
	case CauseBack:
		b.guard.back(b.facts(c.state))
	default:
		return false
	}
	b.tellLive()
	return true
}

// hint says what is wrong with the readings, where that needs no answer.
func (b *Bench) hint(s pour.State) string {
	d := b.balance.At(b.last.Mass)
	switch g := &b.guard; {
	case s.Need() != pour.NeedPour || b.guard.question != nil:
	case g.shaken != nil:
		return fmt.Sprintf("The bench shakes: the reading goes from %s to %s. Shut the fan or lean off. Nothing is booked by itself until it stands.", g.shaken.low.Show(d), g.shaken.high.Show(d))
	case g.hung && !g.same.settled:
		return fmt.Sprintf("The scale has read %s g without a change and calls it moving. It may have stopped: press a key on it, or switch it off and on.", b.last.Mass.Show(d))
	case g.hung:
		return fmt.Sprintf("The scale has read %s g for a while. If you have poured meanwhile, it has stopped: switch it off and on. Nothing more is booked until it changes.", b.last.Mass.Show(d))
	}
	return ""
}
