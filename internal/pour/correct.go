package pour

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// Colour says how far a cup is from the formula's colour: the largest ΔE00 over the shop's illuminants, and its
// gradient per gram. Grams stand in the order of those Components of a State whose Colour() is true, the paint taken
// from a mixing cup (PaintKey) left out.
type Colour interface {
	Distance(grams []float64) (deltaE float64, gradient []float64)
}

// Shop is what the choices depend on besides the cup.
type Shop struct {
	Limit      float64  // ΔE00 that counts as the same colour at the bench; 0 means the plan's, or else 0.3
	Relative   *float64 // replaces the tolerance of every toner where there are no colour data: 0.05 is 5 %
	CupCost    formula.Money
	MinuteRate formula.Money // what a minute of the mixer's costs
	Cups       []Cup         // that the shop has
	Clings     gram.Mass     // what stays in a cup when it is poured over; 0 means 4 g
	Room       gram.Mass     // what this cup takes, where it is known in grams; 0: worked out from cup and scale
	AsIs       bool          // the cup is taken as it stands: pouring off is offered only if it is stirred already
}

// What is left out of a Shop. Common practice, no source.
const (
	defaultLimit  = 0.3
	defaultClings = 4 * gram.Gram
)

// aimWhileToCome is the part of the limit that a top-up aims at while toners are still to come, so that they may err too.
const aimWhileToCome = 0.7

// mostOff is by how much a toner's share may be off, in per cent, to save paint where carrying on is good. Common
// practice, no source.
const mostOff = 20

// Minutes of work, for the cost of a choice. Common practice, no source.
const (
	minutesPerPour = 1
	minutesLift    = 3
	minutesPourOff = 3 // with the stir before it
	minutesMove    = 3
	minutesAgain   = 2 // besides its pours
)

// Portion is a mass of one component.
type Portion struct {
	Key         Key
	Name        string
	Mass        gram.Mass
	StillToCome bool // the toner was still to be poured; otherwise it is topped up at the end
}

// Option is one choice with everything it means. Its figures hold after rounding to what will be poured.
type Option struct {
	Choice  Choice
	Steps   []Step
	Add     []Portion     // in whole divisions but for exact and pour_off
	Final   gram.Mass     // in the cup when everything is in
	Extra   gram.Mass     // Final less what was planned
	Discard gram.Mass     // thrown away
	Cost    formula.Money // of paint, cup and minutes beyond the plan; below zero where it comes cheaper
	Pours   int
	Worst   float64  // largest error of a toner's share, in per cent of that share
	Foreign float64  // per cent of the cup that does not belong in it
	DeltaE  *float64 // nil without colour data
	Fits    bool     // cup and scale hold it
	Within  bool     // the limit is met
	Reason  string
	Then    Choice // for a bigger cup: what is done in it
	Cup     *Cup   // for a bigger cup: which
	SameAs  Choice // an earlier choice that pours the very same; a screen need not show both

	total gram.Mass // of colour, held back included, for Corrected
	rank  float64   // what it costs, in money or in grams
	acts  int       // pours, and what else there is to do with the cup
	takes bool      // may be recommended
}

// Corrected returns the decision for an option, to be sent as a Command.
func (o Option) Corrected() Corrected {
	return Corrected{
		Choice: o.Choice, Steps: slices.Clone(o.Steps), Total: o.total, Discard: o.Discard, Then: o.Then,
		Worst: o.Worst, DeltaE: o.DeltaE,
	}
}

// Choices returns the ways to go on after an overshoot or a wrong toner: the recommended one first, the others in a
// fixed order behind it. Recommended is what costs least among the ways that fit and meet the limit, in money where
// every price is known and in grams where not, ties by fewer pours; no other way on the list beats it in cost, pours
// and error together. Where carrying on meets the limit, a top-up is recommended only if it does, and not if it saves its
// grams by leaving most of a toner out. Where nothing meets the limit it is the way with the smallest error that fits.
// colour may be nil.
func Choices(s State, shop Shop, colour Colour) []Option {
	if s.Plan.Total == 0 || s.Ended() {
		return nil
	}
	v := newView(s, shop, colour)
	if v == nil {
		return nil
	}
	options := v.options()
	best := recommend(options)
	for i := range options {
		options[i].Reason = v.reason(options[i])
	}
	if best > 0 {
		o := options[best]
		options = slices.Insert(slices.Delete(options, best, best+1), 0, o)
	}
	return options
}

// recommend returns the index of the option to put first.
func recommend(options []Option) int {
	order := func(a, b Option) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.acts, b.acts), cmp.Compare(a.miss(), b.miss()))
	}
	if best := least(options, func(o Option) bool { return o.takes && o.Fits && o.Within }, order); best >= 0 {
		return best
	}
	nearest := func(a, b Option) int { return cmp.Or(cmp.Compare(a.miss(), b.miss()), order(a, b)) }
	if best := least(options, func(o Option) bool { return o.Fits }, nearest); best >= 0 {
		return best
	}
	return least(options, func(Option) bool { return true }, nearest)
}

// miss is how far an option stays from the formula: by colour where that is known, by weight where not.
func (o Option) miss() float64 {
	if o.DeltaE != nil {
		return *o.DeltaE
	}
	return max(o.Worst, o.Foreign)
}

// beats reports whether an option is nowhere worse than another and somewhere better.
func (o Option) beats(b Option) bool {
	return o.rank <= b.rank && o.acts <= b.acts && o.miss() <= b.miss() &&
		(o.rank < b.rank || o.acts < b.acts || o.miss() < b.miss())
}

func least(options []Option, may func(Option) bool, order func(a, b Option) int) int {
	best := -1
	for i, o := range options {
		if may(o) && (best < 0 || order(o, options[best]) < 0) {
			best = i
		}
	}
	return best
}

// view is a cup as the algebra sees it: one entry a component of the paint, or, once hardener or reducer has gone in,
// the whole colour as one component beside the parts of the reduction.
type view struct {
	s      State
	shop   Shop
	colour Colour
	limit  float64

	parts  []Component
	wanted []float64   // shares; 0 for what is foreign
	in     []gram.Mass // what is in the cup
	had    []gram.Mass // what was in it before anything was thrown away
	come   []gram.Mass // of it, still to be poured by the steps to do
	tau    []float64   // tolerance of each component's own grams, at least one division
	most   []gram.Mass // that can still be added; MaxMass where nothing limits it
	whole  gram.Mass   // Σin
	goal   gram.Mass   // T, without what is held back
	held   float64     // by what goal is to be multiplied to give the total with what is held back
	d      gram.Mass
	room   gram.Mass
	priced bool
	price  []float64 // minor units a gram
	mixed  bool      // reduction: the first part is the colour
	later  []float64 // grams of each component that are held back, to one gram of the cup
}

func newView(s State, shop Shop, colour Colour) *view {
	v := &view{s: s, shop: shop, colour: colour, limit: shop.Limit, held: 1, d: max(s.Plan.Balance.At(s.Last), 1)}
	if v.limit <= 0 {
		v.limit = s.Plan.Limit
	}
	if v.limit <= 0 {
		v.limit = defaultLimit
	}
	if v.shop.Clings <= 0 {
		v.shop.Clings = defaultClings
	}
	wants := v.take(s)
	var sum gram.Mass
	for _, w := range wants {
		sum += w
	}
	if sum <= 0 {
		return nil
	}
	n := len(v.parts)
	v.had = v.in
	v.wanted, v.tau, v.price, v.come = make([]float64, n), make([]float64, n), make([]float64, n), make([]gram.Mass, n)
	v.priced = true
	for i, c := range v.parts {
		if c.Held > 0 && !v.mixed && v.goal > 0 {
			if v.later == nil {
				v.later = make([]float64, n)
			}
			v.later[i] = c.Held.Grams() / sum.Grams()
		}
		v.wanted[i] = float64(wants[i]) / float64(sum)
		v.whole += v.in[i]
		if c.PerLitre > 0 && c.Density > 0 {
			v.price[i] = float64(c.PerLitre) / 1000 / c.Density
		} else if v.wanted[i] > 0 || v.in[i] > 0 {
			v.priced = false
		}
		v.tau[i] = c.Strength.Tolerance()
		if shop.Relative != nil {
			v.tau[i] = *shop.Relative
		}
		if v.wanted[i] > 0 {
			v.tau[i] = max(v.tau[i], v.d.Grams()/(v.wanted[i]*v.goal.Grams()))
		}
	}
	for _, step := range s.Todo {
		if i := v.index(step.Key); i >= 0 {
			v.come[i] += step.Aim
		}
	}
	v.room = shop.Room
	if v.room <= 0 {
		v.room = v.roomIn(s.Cup, s.CupReading)
	}
	return v
}

// take fills in the components and what is in of each, and returns the grams wanted of each.
func (v *view) take(s State) []gram.Mass {
	var wants []gram.Mass
	if s.Reduced != nil {
		return v.takeReduced(s)
	}
	v.goal = s.now()
	if v.goal > 0 {
		v.held = s.Total.Grams() / v.goal.Grams()
	}
	n := len(s.Components)
	v.parts, v.in, v.most, wants = make([]Component, 0, n), make([]gram.Mass, 0, n), make([]gram.Mass, 0, n), make([]gram.Mass, 0, n)
	for i, c := range s.Components {
		if !c.Colour() || c.Key == PaintKey {
			continue
		}
		v.parts = append(v.parts, c)
		v.in = append(v.in, s.In[i])
		v.most = append(v.most, gram.MaxMass)
		wants = append(wants, max(c.want(), 0))
	}
	return wants
}

func (v *view) index(k Key) int {
	for i := range v.parts { // by index: a component is large
		if v.parts[i].Key == k {
			return i
		}
	}
	return -1
}

// roomIn returns what a cup can hold of these components on this scale.
func (v *view) roomIn(cup Cup, empty gram.Mass) gram.Mass {
	q := v.s.Plan.Reduction
	if v.mixed {
		q = nil // it is in already
	}
	room, limited := roomFor(cup, empty, v.s.Plan.Balance, q, v.density())
	if !limited {
		return gram.MaxMass
	}
	return room
}

// density of the cup as it is wanted, in g/ml; 0 where one is not known.
func (v *view) density() float64 {
	volume := 0.0
	for i, c := range v.parts {
		if v.wanted[i] == 0 {
			continue
		}
		if c.Density <= 0 {
			return 0
		}
		volume += v.wanted[i] / c.Density
	}
	if volume == 0 {
		return 0
	}
	return 1 / volume
}

// foreign returns what is in the cup that has no share in it.
func (v *view) foreign() gram.Mass {
	var sum gram.Mass
	for i, m := range v.in {
		if v.wanted[i] == 0 {
			sum += m
		}
	}
	return sum
}

// own returns shares, masses, tolerances and places without what is foreign.
func (v *view) own() (w []float64, in []gram.Mass, tau []float64, at []int) {
	n := len(v.parts)
	w, in, tau, at = make([]float64, 0, n), make([]gram.Mass, 0, n), make([]float64, 0, n), make([]int, 0, n)
	for i := range v.parts {
		if v.wanted[i] > 0 {
			w, in, tau, at = append(w, v.wanted[i]), append(in, v.in[i]), append(tau, v.tau[i]), append(at, i)
		}
	}
	return w, in, tau, at
}

// spread puts additions of the own components back into their places.
func (v *view) spread(add []gram.Mass, at []int) []gram.Mass {
	out := make([]gram.Mass, len(v.parts))
	for j, i := range at {
		out[i] = add[j]
	}
	return out
}

// options works out every choice that makes sense, in the order of the list.
func (v *view) options() []Option {
	foreign := v.foreign()
	carry := v.option(CarryOn, v.whole, v.in, v.come, 0)
	carry.Steps = slices.Clone(v.s.Todo)
	out := append(make([]Option, 0, 9), carry)

	tops := v.topUps(foreign)
	done, spills := carry.Fits && carry.Within, !carry.Fits
	for _, o := range tops {
		if o.Choice == LeastPaint && slices.Equal(o.Add, carry.Add) {
			o.SameAs = CarryOn
		}
		if o.Choice == LeastPaint && carry.Fits && carry.Within && (!o.beats(carry) || o.Worst > max(carry.Worst, mostOff)) {
			o.takes = false // nothing has to be topped up, and no toner left out to save its grams
		}
		done = done || o.Fits && o.Within
		spills = spills || !o.Fits
		out = append(out, o)
	}
	if o, ok := v.liftOut(); ok {
		out = append(out, o)
	}
	if o, ok := v.pourOff(foreign); ok {
		o.takes = !done && spills
		out = append(out, o)
	}
	if spills {
		if o, ok := v.biggerCup(); ok {
			out = append(out, o)
		}
	}
	if !done && (spills || v.mixed && !slices.ContainsFunc(tops, func(o Option) bool { return o.Choice == Exact })) {
		if o, ok := v.fitCup(foreign); ok {
			out = append(out, o)
		}
	}
	if o, ok := v.startAgain(); ok {
		out = append(out, o)
	}
	return out
}

// topUps returns the least and the full top-up. One that does not fit is listed all the same and says so.
func (v *view) topUps(foreign gram.Mass) (out []Option) {
	add, ok := v.leastPaint(foreign, v.room)
	if !ok && v.room < gram.MaxMass {
		add, ok = v.leastPaint(foreign, gram.MaxMass)
	}
	if ok {
		out = append(out, v.option(LeastPaint, v.whole, v.in, add, 0))
	}
	if add, ok := v.exact(v.in, foreign); ok {
		out = append(out, v.option(Exact, v.whole, v.in, add, 0))
	}
	return out
}

// exact returns the full rebalance. With something foreign in the cup there is none.
func (v *view) exact(in []gram.Mass, foreign gram.Mass) ([]gram.Mass, bool) {
	if foreign > 0 {
		return nil, false
	}
	_, add, _, err := gram.ExactChecked(v.wanted, in, v.goal)
	if err != nil || !v.canAdd(add) {
		return nil, false
	}
	return add, true
}

func (v *view) canAdd(add []gram.Mass) bool {
	for i, a := range add {
		if a > v.most[i] {
			return false
		}
	}
	return true
}

// leastPaint returns the fewest grams, in whole divisions, that bring the cup to the limit.
func (v *view) leastPaint(foreign, room gram.Mass) ([]gram.Mass, bool) {
	if v.colour != nil && !v.mixed {
		return v.leastColour(room)
	}
	w, in, tau, at := v.own()
	var shut []int
	for j, i := range at {
		if v.most[i] == 0 {
			shut = append(shut, j)
		}
	}
	goal := max(v.goal-foreign, 0)
	add, ok := gram.LeastTopUpIn(w, in, tau, goal, room-foreign, v.d, shut...)
	if !ok {
		return nil, false
	}
	out := v.spread(add, at)
	if !v.canAdd(out) { // the colour left would not do: what can be done with the other parts alone?
		if add, ok = gram.LeastTopUpIn(w, in, tau, goal, room-foreign, v.d, append(shut, 0)...); !ok {
			return nil, false
		}
		out = v.spread(add, at)
	}
	return out, true
}

// liftOut is offered only while the last pour lies on top, unstirred.
func (v *view) liftOut() (Option, bool) {
	s := v.s
	if !s.onTop() {
		return Option{}, false
	}
	i := v.index(s.Over.Key)
	by := min(s.Over.By, s.Layers[len(s.Layers)-1].Mass)
	if i < 0 || by <= 0 {
		return Option{}, false
	}
	in := slices.Clone(v.in)
	in[i] -= by
	o := v.option(LiftOut, v.whole-by, in, v.come, by)
	o.Steps = slices.Clone(s.Todo)
	o.total = s.Total
	return o, true
}

// pourOff is for a cup that has been or will be stirred: on the bench the stir comes with it.
func (v *view) pourOff(foreign gram.Mass) (Option, bool) {
	if v.mixed || v.whole == 0 || v.shop.AsIs && !v.s.Stirred {
		return Option{}, false
	}
	if foreign > 0 {
		return v.pourOffForeign(foreign)
	}
	discard, kept, add, err := gram.PourOff(v.wanted, v.in, v.goal)
	if err != nil || discard <= 0 {
		return Option{}, false
	}
	o := v.option(PourOff, v.whole-discard, kept, add, discard)
	o.total = v.s.Total
	return o, true
}

// pourOffForeign thins out what is foreign as far as half of the cup can: more than that is better started again.
func (v *view) pourOffForeign(foreign gram.Mass) (Option, bool) {
	keep := v.whole / 2
	kept := gram.SplitLargest(shares(v.in, v.whole), keep)
	w, _, _, at := v.own()
	in := make([]gram.Mass, len(at))
	var own gram.Mass
	for j, i := range at {
		in[j] = kept[i]
		own += kept[i]
	}
	_, add, _ := gram.Exact(w, in, max(v.goal-(keep-own), own))
	if add == nil {
		return Option{}, false
	}
	o := v.option(PourOff, keep, kept, v.spread(add, at), v.whole-keep)
	o.total = v.s.Total
	return o, true
}

// biggerCup does in the shop's smallest cup that takes it what does not fit into this one.
func (v *view) biggerCup() (Option, bool) {
	if v.whole <= v.shop.Clings {
		return Option{}, false
	}
	kept := gram.SplitLargest(shares(v.in, v.whole), v.whole-v.shop.Clings)
	cups := slices.Clone(v.shop.Cups)
	slices.SortStableFunc(cups, func(a, b Cup) int { return cmp.Compare(a.Brim, b.Brim) })
	for _, cup := range cups {
		if cup.Name == v.s.Cup.Name && cup.Brim == v.s.Cup.Brim || cup.Brim > 0 && cup.Brim <= v.s.Cup.Brim {
			continue
		}
		room := v.roomIn(cup, cup.Empty)
		if room <= v.room {
			continue
		}
		b := *v
		b.in, b.whole, b.room = kept, v.whole-v.shop.Clings, room
		inner := append([]Option{b.option(CarryOn, b.whole, kept, b.come, 0)}, b.topUps(b.foreign())...)
		then := inner[recommend(inner)]
		if !then.Fits || !then.Within {
			continue
		}
		o := b.option(BiggerCup, b.whole, kept, adds(&b, then), v.shop.Clings)
		o.Then, o.Cup = then.Choice, &cup
		if v.priced {
			o.Cost += cup.Cost
			o.rank += float64(cup.Cost)
		}
		return o, true
	}
	return Option{}, false
}

// adds returns an option's additions by component.
func adds(v *view, o Option) []gram.Mass {
	out := make([]gram.Mass, len(v.parts))
	for _, p := range o.Add {
		out[v.index(p.Key)] = p.Mass
	}
	return out
}

// fitCup is the best cup that still fits.
func (v *view) fitCup(foreign gram.Mass) (Option, bool) {
	if v.room <= v.whole {
		return Option{}, false
	}
	if v.mixed {
		return v.bestReduction()
	}
	w, in, _, at := v.own()
	total := v.room - foreign
	if t, _, _ := gram.Exact(w, in, v.goal); t > 0 {
		total = min(total, t)
	}
	add := v.spread(gram.FitCup(w, in, total), at)
	if v.colour != nil {
		v.nearestColour(add)
	}
	rounded := gram.RoundAdds(add, v.d)
	for i := range rounded { // rounding must not spill
		if v.whole+gram.Sum(rounded) <= v.room {
			break
		}
		if rounded[i] > add[i] {
			rounded[i] -= v.d
		}
	}
	return v.option(FitCup, v.whole, v.in, rounded, 0), true
}

// startAgain throws the cup away. A share in a spray cup cannot be started again without ending its batch.
func (v *view) startAgain() (Option, bool) {
	if v.mixed && v.s.Reduced.NewCup {
		return Option{}, false
	}
	in := make([]gram.Mass, len(v.parts))
	add := gram.Split(v.wanted, v.goal)
	o := v.option(StartAgain, 0, in, add, v.whole)
	o.total = v.s.Total
	for i := range o.Add {
		o.Add[i].StillToCome = true
	}
	return o, true
}

// option evaluates a choice: what is in the cup after anything was taken out, what is added, what is thrown away.
func (v *view) option(c Choice, whole gram.Mass, in, add []gram.Mass, discard gram.Mass) Option {
	o := Option{Choice: c, Discard: discard, takes: true}
	if c != Exact && c != PourOff { // those are exact to the milligram
		add = gram.RoundAdds(add, v.d)
	}
	x := make([]gram.Mass, len(in))
	o.Final = whole
	o.Add = make([]Portion, 0, len(in))
	for i := range in {
		x[i] = in[i] + add[i]
		o.Final += add[i]
		if add[i] > 0 {
			o.Add = append(o.Add, Portion{Key: v.parts[i].Key, Name: v.parts[i].Name, Mass: add[i], StillToCome: v.come[i] > 0})
		}
	}
	o.Extra = o.Final - v.goal
	o.Worst = 100 * gram.WorstRelative(v.wanted, x)
	o.Foreign = 100 * gram.ForeignShare(v.wanted, x)
	o.Fits = o.Final <= v.room
	o.Within = v.within(x, o.Final)
	if d, ok := v.distance(x); ok {
		o.DeltaE = &d
		o.Within = d <= v.limit+1e-9
	}
	o.total = gram.Of(o.Final.Grams() * v.held)
	if v.mixed {
		o.total = v.s.Total
	}
	if c != StartAgain && c != PourOff { // those come with steps of their own later
		o.Steps = v.steps(add)
	}
	o.Pours = len(o.Add)
	o.acts = o.Pours
	switch c {
	case LiftOut, PourOff, BiggerCup, StartAgain:
		o.acts++
	}
	v.cost(&o, in, x)
	return o
}

// within reports whether every component is within its tolerance, which is never less than one division, and nothing
// foreign is in that the display could show.
func (v *view) within(x []gram.Mass, final gram.Mass) bool {
	for i, m := range x {
		want := v.wanted[i] * float64(final)
		tol := max(v.tau[i]*want, float64(v.d))
		if math.Abs(float64(m)-want) > tol+1 {
			return false
		}
	}
	return true
}

// cost sets what an option costs beyond the plan. Whatever is poured ends in the cup or is thrown away, so
// paint added − paint planned = value of the final cup + value thrown away − value of the planned cup.
func (v *view) cost(o *Option, in, x []gram.Mass) {
	if !v.priced {
		o.rank = (o.Extra + o.Discard).Grams()
		return
	}
	minutes := minutesPerPour * (o.Pours - len(v.s.Todo))
	switch o.Choice {
	case LiftOut:
		minutes += minutesLift
	case PourOff:
		minutes += minutesPourOff
	case BiggerCup:
		minutes += minutesMove
	case StartAgain:
		minutes += minutesAgain
	}
	money := float64(minutes) * float64(v.shop.MinuteRate)
	for i := range x {
		thrown := (v.had[i] - in[i]).Grams()
		money += v.price[i] * (x[i].Grams() - v.wanted[i]*v.goal.Grams() + thrown)
	}
	if o.Choice == StartAgain {
		money += float64(v.shop.CupCost)
	}
	o.rank = money
	o.Cost = formula.Money(math.Round(money))
}

// distance returns the predicted difference, where there are colour data for the paint in the cup.
func (v *view) distance(x []gram.Mass) (float64, bool) {
	if v.colour == nil || v.mixed {
		return 0, false
	}
	d, _ := v.ask(grams(x))
	return d, !math.IsNaN(d) && !math.IsInf(d, 0) && d >= 0
}

func grams(x []gram.Mass) []float64 {
	g := make([]float64, len(x))
	for i, m := range x {
		g[i] = m.Grams()
	}
	return g
}

// steps returns the pours that add what is to be added: the steps still to do keep their places and are re-aimed,
// what is topped up comes at the end, in one pass.
func (v *view) steps(add []gram.Mass) []Step {
	left := slices.Clone(add)
	steps := make([]Step, 0, len(v.s.Todo)+len(add))
	for t, step := range v.s.Todo {
		i := v.index(step.Key)
		if i < 0 {
			continue
		}
		aim := left[i]
		for _, later := range v.s.Todo[t+1:] {
			if later.Key == step.Key {
				aim = min(aim, step.Aim)
			}
		}
		if aim <= 0 {
			continue
		}
		left[i] -= aim
		step.Aim, step.Tolerance = aim, v.s.Tolerance(v.parts[i], aim)
		steps = append(steps, step)
	}
	no := v.s.nextNo
	for i, m := range left {
		if m > 0 {
			c := v.parts[i]
			steps = append(steps, Step{No: no, Key: c.Key, Aim: m, Tolerance: v.s.Tolerance(c, m), Why: WhyTopUp})
			no++
		}
	}
	return steps
}

// reason says in one plain sentence why one would choose an option.
func (v *view) reason(o Option) string {
	rest := v.rest(o)
	g := func(m gram.Mass) string { return m.Show(v.d) + " g" }
	switch o.Choice {
	case CarryOn:
		return rest
	case LeastPaint:
		if !o.Fits {
			return fmt.Sprintf("It would come to %s; this cup takes %s.", g(o.Final), g(v.room))
		}
		if tops := v.topped(o); tops != "" {
			return tops + ". " + rest
		}
		return rest
	case Exact:
		if !o.Fits {
			return fmt.Sprintf("It would come to %s; this cup takes %s.", g(o.Final), g(v.room))
		}
		return fmt.Sprintf("Every toner back in its share, with %s more paint.", g(o.Extra))
	case LiftOut:
		return fmt.Sprintf("It still lies on top: take %s off before anything goes on it.", g(o.Discard))
	case PourOff:
		return fmt.Sprintf("Pour off %s of the stirred paint, then top up to %s.", g(o.Discard), g(o.Final))
	case BiggerCup:
		return fmt.Sprintf("It comes to %s; this cup takes %s. About %s stays in the old cup.", g(o.Final), g(v.room), g(o.Discard))
	case FitCup:
		if v.mixed {
			return "The best that the paint that is left can do. " + rest
		}
		return fmt.Sprintf("Fills the cup to %s. %s", g(o.Final), rest)
	case StartAgain:
		return fmt.Sprintf("%s thrown away, and a new cup.", g(o.Discard))
	}
	return rest
}

// topped lists what goes in besides what was still to come: "Chalk 5.1, Delft 2.0".
func (v *view) topped(o Option) string {
	var tops []string
	for _, p := range o.Add {
		if !p.StillToCome {
			tops = append(tops, p.Name+" "+p.Mass.Show(v.d))
		}
	}
	return strings.Join(tops, ", ")
}

// rest says what is left of the difference, and who would see it. Common practice, no source.
func (v *view) rest(o Option) string {
	switch {
	case o.DeltaE != nil && *o.DeltaE < 0.3:
		return "The eye will not see the rest."
	case o.DeltaE != nil && *o.DeltaE <= 1:
		return "The rest is seen side by side only."
	case o.DeltaE != nil && *o.DeltaE <= 2:
		return "The rest is seen by whoever looks for it."
	case o.DeltaE != nil:
		return "The rest is seen at a glance."
	case o.Within:
		return "Every toner is then within its tolerance."
	}
	x := slices.Clone(v.in)
	for _, p := range o.Add {
		x[v.index(p.Key)] += p.Mass
	}
	worst, by := -1, 0.0
	for i, m := range x {
		if v.wanted[i] == 0 {
			if m > v.d {
				return fmt.Sprintf("%s stays in the cup, %.1f %% of it.", v.parts[i].Name, 100*float64(m)/float64(o.Final))
			}
			continue
		}
		if off := float64(m)/(v.wanted[i]*float64(o.Final)) - 1; worst < 0 || math.Abs(off) > math.Abs(by) {
			worst, by = i, off
		}
	}
	if worst < 0 {
		return ""
	}
	word := "strong"
	if by < 0 {
		word = "short"
	}
	return fmt.Sprintf("%s stays %s %% %s.", v.parts[worst].Name, percent(100*math.Abs(by)), word)
}

func percent(p float64) string {
	if p < 1 {
		return fmt.Sprintf("%.1f", p)
	}
	return fmt.Sprintf("%.0f", p)
}
