package formula

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"pourbook/internal/gram"
)

// Basis is how a list of amounts is meant.
type Basis string

// The bases.
const (
	Weights Basis = "weights" // every line its own grams
	Running Basis = "running" // every line the grams from the empty cup on
	Percent Basis = "percent" // per cent by weight, which sum to 100
	Parts   Basis = "parts"   // parts by weight
)

// Bases lists every basis in the order in which a form shows them.
var Bases = []Basis{Weights, Running, Percent, Parts}

// Row is one line of a list as it was typed.
type Row struct{ Toner, Amount string }

// Lookup finds a toner by what a person calls it, its name or its code, within one paint system.
type Lookup func(name string) (Toner, bool)

// DefaultAmount is what a list of shares is kept for where no amount is stated: 1000 g, a litre or so.
const DefaultAmount = gram.Kilogram

// percentSlack is how far a list in per cent may be from 100: ten lines rounded to 0.1 can be off by 0.5.
const percentSlack = 0.5

// ParseLines reads a list as a person types it from paper. Rows with neither toner nor amount are passed over
// but counted, so that a problem names the row as it stands on the form.
//
// Per cent and parts are kept as weights for total, or for DefaultAmount where total is nil; the lines sum to it
// to the milligram. Per cent must sum to 100 within 0.5. With weights and running totals a total is a check:
// lines that miss it by more than they can by rounding are refused.
//
// With any problem there are no lines. What ParseLines returns passes Check.
func ParseLines(basis Basis, rows []Row, total *gram.Mass, lookup Lookup) ([]Line, Problems) {
	amounts, numbers := make([]string, len(rows)), make([]int, len(rows))
	for i, r := range rows {
		amounts[i], numbers[i] = r.Amount, i+1
	}
	return parseLines(basis, rows, numbers, total, lookup, markOf(amounts))
}

// parseLines calls the rows by the numbers that they have where they come from.
func parseLines(basis Basis, rows []Row, numbers []int, total *gram.Mass, lookup Lookup, mark decimalMark) ([]Line, Problems) {
	switch basis {
	case Weights, Running, Percent, Parts:
	default:
		return nil, Problems{{0, "basis", fmt.Sprintf("%s is not a way to give amounts. Choose weights, running, percent or parts.", quoted(string(basis)))}}
	}
	if total != nil && (*total <= 0 || *total > gram.MaxMass) {
		return nil, Problems{{0, "total", fmt.Sprintf("an amount of %s g cannot be kept. Enter one above 0 g and up to 1000 kg.", showGrams(*total))}}
	}
	var ps Problems
	var lines []Line
	var at []int // the row of each line
	var values []float64
	var slack, coarsest, before gram.Mass
	filled := 0
	for i, row := range rows {
		n := numbers[i]
		name, amount := strings.TrimSpace(row.Toner), strings.TrimSpace(row.Amount)
		if name == "" && amount == "" {
			continue
		}
		filled++
		if filled > MaxLines {
			continue
		}
		line := Line{}
		sound := true
		refuse := func(p Problem) { ps, sound = append(ps, p), false }
		if detail := badText(name, maxText); name == "" {
			refuse(Problem{n, "toner", "there is no toner. Enter its name or clear the line."})
		} else if detail != "" {
			refuse(Problem{n, "toner", "the toner " + detail})
		} else if toner, ok := lookup(name); ok {
			line.Toner = toner
		} else {
			refuse(Problem{n, "toner", fmt.Sprintf("no toner is called %s. Check the name or put it on the shelf first.", quoted(name))})
		}
		switch basis {
		case Weights, Running:
			m, half, err := parseMass(amount, mark)
			if err != nil {
				refuse(problemAt(n, err))
				break
			}
			slack += half
			coarsest = max(coarsest, half)
			if m == 0 {
				refuse(Problem{n, "amount", "the weight is 0 g. Correct it or leave the line out."})
				break
			}
			line.Mass = m
			if basis == Running {
				switch {
				case m < before:
					refuse(Problem{n, "amount", fmt.Sprintf("the running total falls from %s to %s. Check this line or choose single weights.", showGrams(before), showGrams(m))})
				case m == before:
					refuse(Problem{n, "amount", fmt.Sprintf("the running total stays at %s, so nothing goes in. Check this line or leave it out.", showGrams(m))})
				}
				line.Mass, before = m-before, m
			}
		case Percent, Parts:
			value, err := parseShare(basis, amount, mark)
			if err != nil {
				refuse(problemAt(n, err))
				break
			}
			values = append(values, value)
		}
		if sound {
			lines, at = append(lines, line), append(at, n)
		}
	}
	if filled > MaxLines {
		return nil, Problems{tooManyLines(filled)}
	}
	if len(ps) == 0 && len(lines) > 0 {
		switch basis {
		case Weights, Running:
			if total != nil && (Sum(lines)-*total).Abs() > slack+coarsest {
				ps = append(ps, Problem{0, "total", fmt.Sprintf("the lines sum to %s g, but the total says %s g. Check the lines, or leave the total empty.", showGrams(Sum(lines)), showGrams(*total))})
			}
		case Percent, Parts:
			ps = append(ps, weigh(basis, lines, at, values, total)...)
		}
	}
	// A line that could not be read is left out here, so that the others are still checked among themselves.
	if len(lines) > 0 || len(ps) == 0 {
		ps = append(ps, checkLines(lines, at)...)
	}
	if len(ps) > 0 {
		slices.SortStableFunc(ps, func(a, b Problem) int { return cmp.Compare(a.Line, b.Line) })
		return nil, ps
	}
	return lines, nil
}

func parseShare(basis Basis, amount string, mark decimalMark) (float64, error) {
	word, example := "per cent", "12.5"
	if basis == Parts {
		word, example = "parts", "3"
	}
	text := amount
	if basis == Percent {
		text = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(amount), "%"))
	}
	if text == "" {
		return 0, refuseAmount("there are no %s. Enter them, like %s.", word, example)
	}
	n, err := parseNumber(text, mark)
	switch {
	case err != nil:
		return 0, err
	case n.value <= 0:
		return 0, refuseAmount("%s %s is not above 0. Correct it or leave the line out.", quoted(amount), word)
	case basis == Percent && n.value > 100+percentSlack:
		return 0, refuseAmount("%s is more than 100 per cent. Check it, or choose parts.", quoted(amount))
	case n.value > 1e9:
		return 0, refuseAmount("%s parts are more than can be kept. Use smaller numbers in the same ratio.", quoted(amount))
	}
	return n.value, nil
}

// weigh fills in the masses of lines given by their shares. Each is the difference of two rounded running
// totals, so that they sum to the amount to the milligram.
func weigh(basis Basis, lines []Line, at []int, values []float64, total *gram.Mass) Problems {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	if basis == Percent && math.Abs(sum-100) > percentSlack+1e-9 {
		return Problems{{0, "amount", fmt.Sprintf("the per cents sum to %s, not to 100. Check the lines, or choose parts.", plainDecimal(sum, 2))}}
	}
	amount := DefaultAmount
	if total != nil {
		amount = *total
	}
	var ps Problems
	var before gram.Mass
	running := 0.0
	for i, v := range values {
		running += v
		now := gram.Of(amount.Grams() * (running / sum))
		if i == len(values)-1 {
			now = amount
		}
		lines[i].Mass, before = now-before, now
		if lines[i].Mass <= 0 {
			ps = append(ps, Problem{at[i], "amount", fmt.Sprintf("this share is less than a milligram of %s g. Enter a larger amount.", showGrams(amount))})
			lines[i].Mass = gram.Milligram // it has its sentence; no second one from Check
		}
	}
	return ps
}
