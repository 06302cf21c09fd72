package rehearse

import (
	"math"
	"slices"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// hindsight uses the least paint that could have been used for a cup in the safe order, all pours known in advance.
// Every toner is poured once towards its own grams and goes over as this hand goes over; then the same solver finds the
// least that brings the cup to the limit, and that goes in to the division: these top-ups do not err. Or the cup is
// thrown away after the pour where that is best, and the second one completed so. Or, since re-aiming later pours can
// take earlier excess back, it is mixed as Pourbook mixes it. Whichever takes the least counts.
func (v *vessel) hindsight() error {
	plan, _, err := pour.NewPlan(v.c.request(v.run.shelf, v.run.balance(), v.run.limit, true))
	if err != nil {
		return err
	}
	var order []int
	for _, s := range plan.Steps {
		if s.Why != pour.WhyWetting {
			order = append(order, slices.Index(v.c.toners, shelfPlace(s.Key)))
		}
	}
	var best *vessel
	take := func(n *vessel, err error) error {
		if err == nil && (best == nil || n.over() < best.over()) {
			best = n
		}
		return err
	}
	own := v.run.newVessel(v.c)
	if err := take(own, own.pourbook(true)); err != nil {
		return err
	}
	thrown := 0.0
	for again := range len(order) + 1 {
		if again > 0 {
			thrown += v.c.goals[order[again-1]]
		}
		if thrown >= best.over() {
			break
		}
		if err := take(v.known(order, again)); err != nil {
			return err
		}
	}
	*v = *best
	return nil
}

// over returns the grams used beyond what was wanted.
func (v *vessel) over() float64 {
	over := -v.c.total.Grams()
	for _, g := range v.used {
		over += g
	}
	return over
}

// known pours a cup whose first pours are thrown away once, and completes it.
func (v *vessel) known(order []int, again int) (*vessel, error) {
	n := v.run.newVessel(v.c)
	one := func(k int) {
		i := v.c.toners[k]
		for range fresh {
			if n.pour(i, n.stop(gram.Of(v.c.goals[k])), false) == i {
				return
			}
		}
	}
	for _, k := range order[:again] {
		one(k)
	}
	if again > 0 {
		n.throwAway()
	}
	for _, k := range order {
		one(k)
	}
	stand := pour.Stand{Total: v.c.total, Stirred: true, Balance: v.run.balance()}
	toners := slices.Clone(v.c.toners)
	for k, i := range toners {
		t := v.run.shelf[i].toner
		stand.Components = append(stand.Components, pour.ComponentOf(t, gram.Of(v.c.goals[k])))
	}
	for i, m := range n.booked {
		if m <= 0 {
			continue
		}
		if !slices.Contains(toners, i) {
			toners = append(toners, i)
		}
		stand.Poured = append(stand.Poured, pour.Addition{Component: pour.Component{Key: pour.TonerKey(int64(i + 1)), Name: v.run.shelf[i].toner.Name, Role: formula.Solid}, Mass: m})
	}
	s, err := stand.State()
	if err != nil {
		return nil, err
	}
	a, err := aim(v.run.shelf, toners, v.c.goals, true)
	if err != nil {
		return nil, err
	}
	met := false
	for _, o := range pour.Choices(s, pour.Shop{Limit: v.run.limit, AsIs: true}, a) {
		if o.Choice == pour.CarryOn && o.Within {
			met = true
			break
		}
		if o.Choice != pour.LeastPaint || !o.Within {
			continue
		}
		met = true
		for _, p := range o.Add {
			i := shelfPlace(p.Key)
			n.real[i] += p.Mass.Grams()
			n.used[i] += p.Mass.Grams()
			n.booked[i] += p.Mass
			n.reading += p.Mass
			n.pours++
		}
	}
	if !met { // nothing that can be added brings this cup to the limit
		n.used[v.c.toners[0]] = math.Inf(1)
	}
	return n, nil
}
