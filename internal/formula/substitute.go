package formula

import (
	"fmt"
	"math"
	"strings"

	"pourbook/internal/gram"
)

// Swap is one line whose toner was superseded.
type Swap struct {
	Line          int // 1-based, of the lines as they were
	Old, New      Toner
	Before, After gram.Mass
	Factor        float64  // grams of New for each gram of Old, all steps together
	Via           []string // the toners between, where the replacement was replaced too
	Joined        int      // 1-based, the other line of the same toner that it was put together with; 0: none
}

// Sentence says what was done: "Line 3: Old red is superseded: 10.5 g of New red instead of 10.0 g."
func (s Swap) Sentence() string {
	text := fmt.Sprintf("Line %d: %s is superseded: %s g of %s instead of %s g.",
		s.Line, s.Old.Name, showGrams(s.After), s.New.Name, showGrams(s.Before))
	if s.Joined > 0 {
		text += fmt.Sprintf(" They are put together with line %d.", s.Joined)
	}
	return text
}

// The factors that a replacement can sensibly have. One outside is a slip of the decimal mark.
const (
	minFactor = 0.01
	maxFactor = 100
)

// Substitute follows the replacement of every superseded toner to its end and returns the lines with what is
// on the shelf today, and each swap. Factors along a chain multiply; the mass is rounded once, to the milligram.
// Where the new toner has a line already the two are added together at the earlier place.
//
// Refused, as Problems: a chain that comes back to itself, a replacement that lookup does not find or that is
// of another paint system, a factor outside 0.01 to 100, and lines that do not pass Check.
// The lines given are not changed.
func Substitute(lines []Line, lookup func(name string) (Toner, bool)) ([]Line, []Swap, error) {
	if err := Check(lines); err != nil {
		return nil, nil, err
	}
	var ps Problems
	var swaps []Swap
	swapOf := make(map[int]int)
	today := make([]Line, len(lines))
	for i, l := range lines {
		today[i] = l
		toner, factor, via, problem := follow(l.Toner, lookup)
		if problem != nil {
			problem.Line = i + 1
			ps = append(ps, *problem)
			continue
		}
		if len(via) == 0 {
			continue
		}
		grams := l.Mass.Grams() * factor
		after, err := gram.FromGrams(grams)
		if err != nil || after <= 0 {
			ps = append(ps, Problem{i + 1, "amount", fmt.Sprintf("%s g of %s come to %s g of %s, which cannot be weighed. Check the factor of the replacement.",
				showGrams(l.Mass), l.Toner.Name, plainDecimal(grams, 6), toner.Name)})
			continue
		}
		today[i] = Line{toner, after}
		swapOf[i] = len(swaps)
		swaps = append(swaps, Swap{Line: i + 1, Old: l.Toner, New: toner, Before: l.Mass, After: after, Factor: factor, Via: via[:len(via)-1]})
	}
	if len(ps) > 0 {
		return nil, nil, ps
	}
	joined := make([]Line, 0, len(today))
	place := newToners()
	var from []int // the old index of each joined line
	for i, l := range today {
		if at, ok := place.find(l.Toner); ok {
			joined[at].Mass += l.Mass
			// Whichever of the two was swapped tells of it.
			if s, ok := swapOf[i]; ok {
				swaps[s].Joined = from[at] + 1
			} else if s, ok := swapOf[from[at]]; ok {
				swaps[s].Joined = i + 1
			}
			continue
		}
		place.add(l.Toner, len(joined))
		joined, from = append(joined, l), append(from, i)
	}
	if err := Check(joined); err != nil {
		return nil, nil, err
	}
	return joined, swaps, nil
}

// follow returns the toner at the end of the chain, the factor all together, and the names gone through,
// the last one included; no names where t is not superseded.
func follow(t Toner, lookup func(name string) (Toner, bool)) (Toner, float64, []string, *Problem) {
	refuse := func(format string, args ...any) (Toner, float64, []string, *Problem) {
		return Toner{}, 0, nil, &Problem{Field: "toner", Detail: fmt.Sprintf(format, args...)}
	}
	first, factor := t, 1.0
	seen := map[string]bool{tonerKey(t): true}
	var via []string
	for t.Replaced != nil {
		r := *t.Replaced
		if math.IsNaN(r.Factor) || r.Factor < minFactor || r.Factor > maxFactor {
			return refuse("%s is superseded by %s with the factor %v. Enter one from 0.01 to 100 on the shelf.", t.Name, quoted(r.By), r.Factor)
		}
		next, ok := lookup(r.By)
		switch {
		case !ok:
			return refuse("%s is superseded by %s, which is not on the shelf. Add it, or correct the replacement.", t.Name, quoted(r.By))
		case !sameSystem(next.System, first.System):
			return refuse("%s of %s is superseded by %s of %s. Paint systems do not mix: name a replacement of %s.",
				t.Name, systemName(first.System), next.Name, systemName(next.System), systemName(first.System))
		case seen[tonerKey(next)]:
			return refuse("%s is superseded in a circle: %s. Correct one of the replacements on the shelf.",
				first.Name, strings.Join(append(append([]string{first.Name}, via...), next.Name), ", "))
		}
		seen[tonerKey(next)] = true
		factor *= r.Factor
		via = append(via, next.Name)
		t = next
	}
	return t, factor, via, nil
}
