package formula

import (
	"fmt"
	"math"

	"pourbook/internal/gram"
)

// Change is what became of a toner from one revision to another.
type Change string

// The changes.
const (
	Added   Change = "added"
	Removed Change = "removed"
	Same    Change = "same" // the same share of the whole, as far as milligrams can tell
	More    Change = "more"
	Less    Change = "less"
)

// Difference is one toner in two revisions, side by side.
type Difference struct {
	Toner         Toner
	Change        Change
	Before, After gram.Mass // in the revision's own amount; 0 where it is not in
	BeforePercent float64   // of the whole, by weight
	AfterPercent  float64
	Points        float64 // AfterPercent − BeforePercent, percentage points
	Relative      float64 // Points as a part of BeforePercent: 0.1 is a tenth more; 0 where it was added
}

// Compare sets revision b against revision a, toner by toner: those of b in their order, then those
// only in a. Shares are compared, so a revision for another amount is the same where its shares are.
// A toner is the same by its ID, or by name within its paint system where one side has no ID.
func Compare(a, b Revision) []Difference {
	old := newToners()
	for i, l := range a.Lines {
		old.add(l.Toner, i)
	}
	shareA, shareB := Fractions(a.Lines), Fractions(b.Lines)
	// Each mass is rounded to half a milligram: shares this close are one share.
	rounding := 0.0
	if sumA, sumB := Sum(a.Lines), Sum(b.Lines); sumA > 0 && sumB > 0 {
		rounding = 1/float64(sumA) + 1/float64(sumB)
	}
	differences := make([]Difference, 0, len(a.Lines)+len(b.Lines))
	kept := make([]bool, len(a.Lines))
	for j, l := range b.Lines {
		d := Difference{Toner: l.Toner, Change: Added, After: l.Mass, AfterPercent: 100 * shareB[j]}
		if i, ok := old.find(l.Toner); ok && !kept[i] {
			kept[i] = true
			d.Before, d.BeforePercent = a.Lines[i].Mass, 100*shareA[i]
			if shareA[i] > 0 {
				d.Relative = shareB[j]/shareA[i] - 1
			}
			switch {
			case math.Abs(shareB[j]-shareA[i]) <= rounding:
				d.Change = Same
			case shareB[j] > shareA[i]:
				d.Change = More
			default:
				d.Change = Less
			}
		}
		d.Points = d.AfterPercent - d.BeforePercent
		differences = append(differences, d)
	}
	for i, l := range a.Lines {
		if !kept[i] {
			differences = append(differences, Difference{
				Toner: l.Toner, Change: Removed, Before: l.Mass,
				BeforePercent: 100 * shareA[i], Points: -100 * shareA[i], Relative: -1,
			})
		}
	}
	return differences
}

// Node is a formula with the variants that were made of it.
type Node struct {
	Formula  Formula
	Children []Node
}

// Family returns the formulas as family trees: at the top those that come from no other of them
// (a variant whose origin is not among them too), below each its variants, all in the order given.
// A formula given twice, or one that descends from itself, is an error.
func Family(all []Formula) ([]Node, error) {
	at := make(map[int64]int, len(all))
	for i, f := range all {
		if _, twice := at[f.ID]; twice {
			return nil, fmt.Errorf("formula: %s (number %d) is in the list twice", f.Title(), f.ID)
		}
		at[f.ID] = i
	}
	children := make([][]int, len(all))
	var roots []int
	for i, f := range all {
		if f.Parent == nil {
			roots = append(roots, i)
		} else if parent, ok := at[f.Parent.FormulaID]; ok {
			children[parent] = append(children[parent], i)
		} else {
			roots = append(roots, i)
		}
	}
	reached := make([]bool, len(all))
	var grow func(indices []int) []Node
	grow = func(indices []int) []Node {
		if len(indices) == 0 {
			return nil
		}
		nodes := make([]Node, len(indices))
		for n, i := range indices {
			reached[i] = true
			nodes[n] = Node{all[i], grow(children[i])}
		}
		return nodes
	}
	nodes := grow(roots)
	for i, f := range all {
		// What no root leads to hangs on a circle.
		if !reached[i] {
			return nil, fmt.Errorf("formula: %s descends from itself, or from one that does. Give it another origin", f.Title())
		}
	}
	return nodes, nil
}

// Lineage returns where a formula of all comes from: the first ancestor, then each variant down to it.
// An ID that is not among them, or a circle, is an error.
func Lineage(all []Formula, id int64) ([]Formula, error) {
	at := make(map[int64]int, len(all))
	for i, f := range all {
		at[f.ID] = i
	}
	i, ok := at[id]
	if !ok {
		return nil, fmt.Errorf("formula: there is no formula number %d. It may have been removed: look it up again", id)
	}
	lineage := []Formula{all[i]}
	for all[i].Parent != nil {
		if i, ok = at[all[i].Parent.FormulaID]; !ok {
			break
		}
		if len(lineage) == len(all) {
			return nil, fmt.Errorf("formula: %s descends from itself. Give it another origin", lineage[0].Title())
		}
		lineage = append(lineage, all[i])
	}
	for l, r := 0, len(lineage)-1; l < r; l, r = l+1, r-1 {
		lineage[l], lineage[r] = lineage[r], lineage[l]
	}
	return lineage, nil
}

// Alternates returns those of all that stand beside f: another entry of the same code, paint system and coat.
// A formula without a code has none.
func Alternates(all []Formula, f Formula) []Formula {
	code := FoldCode(f.Code)
	if code == "" {
		return nil
	}
	var beside []Formula
	for _, other := range all {
		if other.ID != f.ID && FoldCode(other.Code) == code && other.Coat == f.Coat &&
			sameSystem(other.System, f.System) {
			beside = append(beside, other)
		}
	}
	return beside
}
