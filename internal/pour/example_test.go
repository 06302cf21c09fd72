package pour_test

import (
	"fmt"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

func ExampleNewPlan() {
	line := func(id int64, name string, grams float64, s formula.Strength) formula.Line {
		return formula.Line{Toner: formula.Toner{ID: id, Name: name, Kind: formula.Solid, Strength: s}, Mass: gram.Of(grams)}
	}
	plan, weighing, err := pour.NewPlan(pour.Request{
		Lines:   []formula.Line{line(1, "White", 700, formula.Weak), line(2, "Blue", 250, formula.Medium), line(3, "Black", 50, formula.Strong)},
		Amount:  gram.Amount{Value: 8, Unit: gram.UnitGram},
		Balance: gram.Balance{Division: 100 * gram.Milligram},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, step := range plan.Steps {
		fmt.Printf("%s %v %q\n", weighing.Rows[i].Name, step.Aim, weighing.Rows[i].Mark)
	}
	fmt.Println(weighing.Sentence)
	for _, way := range weighing.WaysOut {
		fmt.Println("-", way.Sentence)
	}
	// Output:
	// White 5.600 g ""
	// Blue 2.000 g ""
	// Black 0.400 g "override"
	// 0.40 g of Black is too little for this scale: one step of its display is 25 % of it.
	// - Mix 10 g or more.
	// - Weigh Black on a scale that shows steps of 0.05 g.
	// - Use 0.8 g of Black cut to 50 % in White, and 0.4 g less White.
}

func ExampleChoices() {
	toner := func(name string, grams float64, s formula.Strength) pour.Component {
		return pour.Component{Key: pour.Key(name), Name: name, Role: formula.Solid, Strength: s, Goal: gram.Of(grams)}
	}
	black := toner("Black", 50, formula.Strong)
	cup, err := pour.Stand{
		Components: []pour.Component{toner("White", 700, formula.Weak), toner("Blue", 250, formula.Medium), black},
		Total:      gram.Of(500),
		Poured:     []pour.Addition{{Component: black, Mass: gram.Of(27)}},
		Balance:    gram.Balance{Division: 100 * gram.Milligram},
	}.State()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, o := range pour.Choices(cup, pour.Shop{AsIs: true}, nil) {
		fmt.Printf("%s: %s\n", o.Choice.Title(), o.Reason)
	}
	// Output:
	// Start again: 27.0 g thrown away, and a new cup.
	// Carry on as it is: Black stays 8 % strong.
	// Top up a little at the end: Every toner is then within its tolerance.
	// Scale the rest up: Every toner back in its share, with 40.0 g more paint.
}
