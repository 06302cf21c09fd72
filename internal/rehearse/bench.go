package rehearse

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"pourbook/internal/gram"
	"pourbook/internal/pigment"
	"pourbook/internal/pour"
)

// mixer pours a cup as the bench has it: every reading is a command that pour.Accept takes or refuses, and at every
// choice the first of pour.Choices is taken.
type mixer struct {
	*vessel
	state pour.State
	aims  map[string]*pigment.Aim
}

// tablet is the device of the rehearsal.
const tablet = "tablet"

// pourbook mixes a cup by the bench's own rules.
func (v *vessel) pourbook(safe bool) error {
	m := &mixer{vessel: v, aims: map[string]*pigment.Aim{}}
	for range fresh {
		ended, err := m.once(safe)
		if err != nil || ended {
			return err
		}
		v.throwAway()
	}
	return errors.New("a cup was started again too often: this shop's limit cannot be held by this hand")
}

// once mixes until the cup is good or given up.
func (m *mixer) once(safe bool) (good bool, err error) {
	plan, _, err := pour.NewPlan(m.c.request(m.run.shelf, m.run.balance(), m.run.limit, safe))
	if err != nil {
		return false, err
	}
	plan.Limit = plan.LimitIn(m.c.told, m.run.limit)
	plan.Steps = pour.Watched(plan.Steps, plan.Balance, 0)
	if m.state, err = pour.Fold([]pour.Event{{ID: "1", Batch: "cup", Seq: 1, Epoch: 1, Device: tablet, Body: plan}}); err != nil {
		return false, err
	}
	const most = 300 // events; no cup comes near
	for range most {
		switch need := m.state.Need(); need {
		case pour.NeedCup:
			err = m.do(pour.CupPlaced{})
		case pour.NeedPour:
			err = m.step()
		case pour.NeedChoice:
			err = m.choose()
		case pour.NeedStir:
			err = m.do(pour.Stirred{})
		case pour.NeedNext:
			var done bool
			if done, err = m.finish(); done || err != nil {
				return true, err
			}
		case pour.NeedNothing:
			return false, nil
		default:
			return false, fmt.Errorf("nobody rehearsed what to do when the cup needs %q", need)
		}
		if err != nil {
			return false, err
		}
	}
	return false, errors.New("the cup never came to an end")
}

func (m *mixer) do(body pour.Body) error {
	s := m.state
	events, err := pour.Accept(s, pour.Command{ID: strconv.Itoa(s.Seq + 1), Seen: s.Decided, Epoch: s.Epoch, Device: s.Holder, Body: body})
	if err != nil {
		return fmt.Errorf("%s: %w", body.Kind(), err)
	}
	for _, e := range events {
		e.Seq = m.state.Seq + 1
		if m.state, err = m.state.Apply(e); err != nil {
			return err
		}
	}
	return nil
}

// shelfPlace returns where a component stands on the shelf.
func shelfPlace(k pour.Key) int {
	id, _ := strconv.Atoi(strings.TrimPrefix(string(k), "t"))
	return id - 1
}

// step pours the open step and says so if it was a wrong toner.
func (m *mixer) step() error {
	step, _ := m.state.Open()
	toner := shelfPlace(step.Key)
	stop := m.state.Stop()
	if stop <= m.state.Last {
		stop = m.state.Last + m.run.division
	}
	really := m.pour(toner, stop, step.Why == pour.WhyWetting)
	err := m.do(pour.Poured{Step: step.No, Attempt: m.state.Attempt(step.No), Key: step.Key, Reading: m.reading})
	if err != nil || really == toner {
		return err
	}
	return m.do(pour.Reattributed{To: pour.ComponentOf(m.run.shelf[really].toner, 0)})
}

// choices returns the ways on, recommended first. Nobody lifts out here: nothing lies apart on top.
func (m *mixer) choices() ([]pour.Option, error) {
	colour, err := m.colour()
	if err != nil {
		return nil, err
	}
	stirred := m.state
	stirred.Layers = nil
	return pour.Choices(stirred, m.shop(), colour), nil
}

func (m *mixer) choose() error {
	options, err := m.choices()
	if err != nil {
		return err
	}
	if len(options) == 0 {
		return errors.New("there is no way on from an overshoot")
	}
	c := options[0].Corrected()
	c.Steps = pour.Watched(c.Steps, m.state.Plan.Balance, m.state.Last)
	return m.do(c)
}

// finish looks at the stirred cup. What rounding alone brought beyond the limit is tinted back.
func (m *mixer) finish() (bool, error) {
	options, err := m.choices()
	if err != nil {
		return false, err
	}
	i := slices.IndexFunc(options, func(o pour.Option) bool { return o.Choice == pour.CarryOn })
	if i < 0 || options[i].Within {
		return true, nil
	}
	i = slices.IndexFunc(options, func(o pour.Option) bool { return o.Choice == pour.LeastPaint && o.Within && len(o.Add) > 0 })
	if i < 0 {
		return true, nil
	}
	var adds []pour.Addition
	for _, p := range options[i].Add {
		adds = append(adds, pour.Addition{Component: m.state.Component(p.Key), Mass: p.Mass})
	}
	tint, err := pour.TintWith(m.state, adds)
	if err != nil {
		return false, err
	}
	return false, m.do(tint)
}

// colour returns the formula's colour for the components that the batch knows by now, by the shop's data.
func (m *mixer) colour() (pour.Colour, error) {
	if len(m.state.Components) == len(m.c.toners) {
		return m.c.told, nil
	}
	var toners []int
	var name strings.Builder
	for _, c := range m.state.Components {
		toners = append(toners, shelfPlace(c.Key))
		name.WriteString(string(c.Key))
	}
	if a, ok := m.aims[name.String()]; ok {
		return a, nil
	}
	a, err := aim(m.run.shelf, toners, m.c.goals, true)
	m.aims[name.String()] = a
	return a, err
}

func (r *rehearsal) balance() gram.Balance { return gram.Balance{Division: r.division} }

// shop is what the choices depend on besides the cup. It has entered no prices, so the ways are chosen by grams.
func (m *mixer) shop() pour.Shop { return pour.Shop{Limit: m.state.Plan.Limit} }
