package rehearse

import (
	"math"
	"slices"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// vessel is the cup on the scale as it really is and as the display shows it.
type vessel struct {
	run   *rehearsal
	c     cup
	times []int // pours of each toner so far, its wetting pours counted apart

	real    []float64   // grams of each toner of the shelf in this cup
	booked  []gram.Mass // the same by the display
	reading gram.Mass
	used    []float64 // ever poured, what was thrown away too
	pours   int
	cups    int
}

func (r *rehearsal) newVessel(c cup) *vessel {
	n := len(r.shelf)
	return &vessel{run: r, c: c, times: make([]int, 2*n), real: make([]float64, n), booked: make([]gram.Mass, n), used: make([]float64, n), cups: 1}
}

// pour lets a toner in until the display reaches stop, and a little more. It returns the toner that really went in.
func (v *vessel) pour(toner int, stop gram.Mass, wetting bool) (really int) {
	slot := toner
	if wetting {
		slot += len(v.run.shelf)
	} else {
		v.pours++
	}
	f := fallOf(v.run.seed, v.c.no, slot, v.times[slot])
	v.times[slot]++
	really = toner
	if v.run.hand.wrongToner(f) {
		if really = int(f.which * float64(len(v.run.shelf)-1)); really >= toner {
			really++
		}
	}
	over := v.run.hand.excess((stop - v.reading).Grams(), v.run.shelf[really].drop, f)
	full := 0.0
	for _, g := range v.real {
		full += g
	}
	in := math.Max(stop.Grams()+over-full, 0)
	v.real[really] += in
	v.used[really] += in
	reading := gram.Of(full + in).Round(v.run.division)
	v.booked[really] += reading - v.reading
	v.reading = reading
	return really
}

// throwAway empties the cup and takes a new one.
func (v *vessel) throwAway() {
	clear(v.real)
	clear(v.booked)
	v.reading = 0
	v.cups++
}

// stop returns the reading at which so much more is in.
func (v *vessel) stop(more gram.Mass) gram.Mass {
	return (v.reading + more).Round(v.run.division)
}

// outcome is what came of one cup.
type outcome struct {
	extra float64 // per cent of what was wanted, everything thrown away counted
	off   float64 // ΔE00 of what is really in
	seen  float64 // the same by the display
	pours float64 // per component
	money float64 // minor units beyond the plan
}

// result judges the cup as it stands.
func (v *vessel) result() (outcome, error) {
	var o outcome
	var err error
	if o.off, err = v.run.difference(v.c, v.real, false); err != nil {
		return o, err
	}
	seen := make([]float64, len(v.booked))
	for i, m := range v.booked {
		seen[i] = m.Grams()
	}
	if o.seen, err = v.run.difference(v.c, seen, true); err != nil {
		return o, err
	}
	used := 0.0
	for i, g := range v.used {
		used += g
		o.money += g * v.run.shelf[i].perGram()
	}
	for k, i := range v.c.toners {
		o.money -= v.c.goals[k] * v.run.shelf[i].perGram()
	}
	o.money += float64(v.cups-1) * float64(cupCost)
	o.extra = 100 * (used/v.c.total.Grams() - 1)
	o.pours = float64(v.pours) / float64(len(v.c.toners))
	return o, nil
}

func (i invented) perGram() float64 { return float64(i.litre) / 1000 / i.toner.Density }

// cupCost is that of a new cup after starting again. Common practice, no source.
const cupCost formula.Money = 40

// fresh is how often a mixer starts one cup again before the cup is taken as it is.
const fresh = 12

// none pours what the plan says and corrects nothing.
func (v *vessel) none() error {
	for k, i := range v.c.toners {
		goal := gram.Of(v.c.goals[k])
		for range fresh {
			if v.pour(i, v.stop(goal), false) == i {
				break
			}
		}
	}
	return nil
}

// allowed is the error of a toner that a mixer without colour data lets pass: by its strength, never less than a division.
func (v *vessel) allowed(k int, total float64) float64 {
	want := v.c.shares[k] * total
	return math.Max(v.run.shelf[v.c.toners[k]].toner.Strength.Tolerance()*want, v.run.division.Grams())
}

// patience is how many cups a mixer without colour data starts for one batch: the third is taken as it comes. Common
// practice, no source.
const patience = 3

// ruleOfThumb scales everything up at once when a toner goes over, what is in already first, again whenever it happens,
// and starts again above 1.5 times the batch.
func (v *vessel) ruleOfThumb() error {
	wanted, total, k := v.c.total.Grams(), v.c.total.Grams(), 0
	last := 0 // toners up to here were poured before
	for k < len(v.c.toners) {
		i := v.c.toners[k]
		more := gram.Of(v.c.shares[k]*total) - v.booked[i]
		if more.Grams() < v.run.division.Grams()/2 || k < last && more.Grams() <= v.allowed(k, total) {
			k++
			continue
		}
		wrong := v.pour(i, v.stop(more), false) != i
		last = max(last, k)
		now := v.booked[i].Grams() / v.c.shares[k]
		switch {
		case v.cups < patience && (wrong || v.booked[i].Grams() > v.c.shares[k]*total+v.allowed(k, total) && now > 1.5*wanted):
			v.throwAway()
			total, k, last = wanted, 0, 0
		case v.booked[i].Grams() > v.c.shares[k]*total+v.allowed(k, total):
			total, k = now, 0
		default:
			k++
		}
	}
	return nil
}

// experienced pours everything, lets pass what the toner's strength allows, and scales up once at the end; above 20 %
// growth the cup is started again.
func (v *vessel) experienced() error { return v.once(0.2, 1) }

// exactOnce pours everything and brings every toner exactly to its share at the end, in one pass.
func (v *vessel) exactOnce() error { return v.once(math.Inf(1), 0) }

// once pours the plan and scales up once. slack is the part of what the strength allows that is let pass.
func (v *vessel) once(most, slack float64) error {
	for {
		again := false
		for k, i := range v.c.toners {
			if v.pour(i, v.stop(gram.Of(v.c.goals[k])), false) != i {
				again = true
				break
			}
		}
		wanted := v.c.total.Grams()
		total := wanted
		for k, i := range v.c.toners {
			in := v.booked[i].Grams()
			if in > v.c.goals[k]+math.Max(slack*v.allowed(k, wanted), 0.501*v.run.division.Grams()) { // rounding alone is no excess
				total = math.Max(total, in/v.c.shares[k])
			}
		}
		if v.cups < patience && (again || total > wanted*(1+most)) {
			v.throwAway()
			continue
		}
		for k, i := range v.c.toners {
			if more := v.c.shares[k]*total - v.booked[i].Grams(); more > math.Max(slack*v.allowed(k, total), v.run.division.Grams()/2) {
				v.pour(i, v.stop(gram.Of(more)), false)
			}
		}
		return nil
	}
}

// difference returns ΔE00 between the formula and what is in a cup, by the real colours or by those of the shop.
func (r *rehearsal) difference(c cup, in []float64, told bool) (float64, error) {
	toners := slices.Clone(c.toners)
	for i, g := range in {
		if g > 0 && !slices.Contains(toners, i) {
			toners = append(toners, i)
		}
	}
	a := c.real
	if told {
		a = c.told
	}
	if len(toners) > len(c.toners) {
		var err error
		if a, err = aim(r.shelf, toners, c.goals, told); err != nil {
			return 0, err
		}
	}
	grams := make([]float64, len(toners))
	for k, i := range toners {
		grams[k] = in[i]
	}
	d, _ := a.Distance(grams)
	return d, nil
}
