package formula_test

import (
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// An invented shelf, shared by the tests of this package.
const (
	solvent = formula.System("Solvent base")
	water   = formula.System("Water base")
)

func toner(id int64, name string, system formula.System) formula.Toner {
	return formula.Toner{ID: id, Name: name, System: system, Kind: formula.Solid, Strength: formula.Medium, Stocked: true}
}

var (
	white   = toner(1, "White", solvent)
	blue    = toner(2, "Blue", solvent)
	black   = toner(3, "Black", solvent)
	oxide   = toner(4, "Red oxide", solvent)
	moor    = toner(5, "Сажа № 4", solvent)
	ink     = toner(6, "墨 12", solvent)
	lake    = toner(7, "Lake", water)
	emerald = toner(8, "Émeraude", solvent)
)

func find(toners ...formula.Toner) formula.Lookup {
	return func(name string) (formula.Toner, bool) {
		for _, t := range toners {
			if strings.EqualFold(t.Name, name) {
				return t, true
			}
		}
		return formula.Toner{}, false
	}
}

var shelf = find(white, blue, black, oxide, moor, ink, lake, emerald)

func lines(pairs ...any) []formula.Line {
	var ls []formula.Line
	for i := 0; i < len(pairs); i += 2 {
		ls = append(ls, formula.Line{Toner: pairs[i].(formula.Toner), Mass: gram.Of(pairs[i+1].(float64))})
	}
	return ls
}

func sentences(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}
