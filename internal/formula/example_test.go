package formula_test

import (
	"fmt"
	"strings"

	"pourbook/internal/formula"
)

// A list of running totals with a slip in it names the line.
func ExampleParsePaste() {
	pasted := formula.ParsePaste(`Toner      Running (g)
White      212.4
Blue       198.0
Black      230.0`, "", nil, shelf)
	fmt.Println(pasted.Basis)
	fmt.Println(pasted.Problems)
	// Output:
	// running
	// Line 3: the running total falls from 212.4 to 198.0. Check this line or choose single weights.
}

func ExampleReadCSV() {
	file := `name;system;coat;finish;basis;toner;amount
Harbour;Solvent base;base;solid;percent;White;70,0
;;;;;Blue;25,0
;;;;;Black;5,0`
	preview, err := formula.ReadCSV(strings.NewReader(file), book)
	if err != nil {
		panic(err)
	}
	fmt.Println(preview.Ready(), preview.Encoding, preview.Separator, preview.Decimal)
	for _, line := range preview.Formulas[0].Lines {
		fmt.Println(line.Toner.Name, line.Mass)
	}
	// Output:
	// true UTF-8 semicolon comma
	// White 700.000 g
	// Blue 250.000 g
	// Black 50.000 g
}
