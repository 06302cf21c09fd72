package formula

import (
	"fmt"

	"pourbook/internal/gram"
)

// MaxLines is the most lines that a formula may have. Formulas have five to ten, rarely twenty;
// a list of hundreds is some other table pasted by mistake.
const MaxLines = 60

// Check returns everything that is wrong with the lines of a revision as Problems, nil where they stand:
// 1 to MaxLines lines, each with a toner and a weight above 0, none twice, all of one paint system,
// and all together no more than gram.MaxMass.
func Check(lines []Line) error {
	numbers := make([]int, len(lines))
	for i := range numbers {
		numbers[i] = i + 1
	}
	return checkLines(lines, numbers).Err()
}

// checkLines calls the lines by the numbers that they have for the person who reads the problems.
func checkLines(lines []Line, numbers []int) Problems {
	var ps Problems
	switch {
	case len(lines) == 0:
		return Problems{{Field: "toner", Detail: "there are no lines. Enter at least one toner and its weight."}}
	case len(lines) > MaxLines:
		return Problems{tooManyLines(len(lines))}
	}
	first := newToners()
	for i, l := range lines {
		n := numbers[i]
		if nameKey(l.Toner.Name) == "" {
			ps = append(ps, Problem{n, "toner", "there is no toner. Choose one."})
		} else if before, ok := first.find(l.Toner); ok {
			ps = append(ps, Problem{n, "toner", fmt.Sprintf("%s is on line %d already. Add the two together.", l.Toner.Name, numbers[before])})
		} else {
			first.add(l.Toner, i)
		}
		if i > 0 && !sameSystem(l.Toner.System, lines[0].Toner.System) {
			ps = append(ps, Problem{n, "system", fmt.Sprintf("%s belongs to %s, but line %d belongs to %s. Paint systems do not mix: choose a toner of %s.",
				l.Toner.Name, systemName(l.Toner.System), numbers[0], systemName(lines[0].Toner.System), systemName(lines[0].Toner.System))})
		}
		switch {
		case l.Mass <= 0:
			ps = append(ps, Problem{n, "amount", "the weight is not above 0 g. Correct it or leave the line out."})
		case l.Mass > gram.MaxMass:
			ps = append(ps, Problem{n, "amount", tooHeavy(l.Mass.Grams())})
		}
	}
	if len(ps) == 0 && Sum(lines) > gram.MaxMass {
		ps = append(ps, Problem{0, "amount", "the lines together weigh more than 1000 kg. Check the weights."})
	}
	return ps
}

// Sum returns the mass of all lines together.
func Sum(lines []Line) gram.Mass {
	var sum gram.Mass
	for _, l := range lines {
		sum += l.Mass
	}
	return sum
}

// Fractions returns the part that each line is of the whole, 0 to 1.
// The lines are ones that passed Check; of lines that sum to nothing every fraction is 0.
func Fractions(lines []Line) []float64 {
	fractions := make([]float64, len(lines))
	sum := Sum(lines)
	if sum <= 0 {
		return fractions
	}
	for i, l := range lines {
		fractions[i] = float64(l.Mass) / float64(sum)
	}
	return fractions
}

func tooManyLines(n int) Problem {
	return Problem{0, "toner", fmt.Sprintf("this list has %d lines; a formula can have %d. Check that it is one formula.", n, MaxLines)}
}

func tooHeavy(grams float64) string {
	return fmt.Sprintf("%.0f kg is more than any batch. The most is 1000 kg: check the weight and its unit.", grams/1000)
}

func systemName(s System) string {
	if s == "" {
		return "no paint system"
	}
	return string(s)
}

// showGrams returns m as a person writes it: at least one decimal, more only where they are needed.
func showGrams(m gram.Mass) string {
	switch {
	case m%100 == 0:
		return m.Show(100)
	case m%10 == 0:
		return m.Show(10)
	}
	return m.Show(gram.Milligram)
}

// toners finds a toner again: by its ID, or by its name within its paint system where it has no ID yet.
type toners struct {
	byID   map[int64]int
	byName map[string]int
}

func newToners() toners { return toners{map[int64]int{}, map[string]int{}} }

func (t toners) add(toner Toner, at int) {
	if toner.ID != 0 {
		t.byID[toner.ID] = at
	}
	t.byName[tonerKey(toner)] = at
}

func (t toners) find(toner Toner) (int, bool) {
	if toner.ID != 0 {
		if at, ok := t.byID[toner.ID]; ok {
			return at, true
		}
	}
	at, ok := t.byName[tonerKey(toner)]
	return at, ok
}

func tonerKey(t Toner) string { return nameKey(string(t.System)) + "\x00" + nameKey(t.Name) }
