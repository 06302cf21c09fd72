package page

import "github.com/a-h/templ"

// Input is one field to type in, with what was typed and what is wrong with it.
type Input struct {
	Name, Label string
	Hint        string
	Value       string
	Problem     string
	Unit        string // shown behind the field
	Numeric     bool   // a tablet shows its number keys
	Rows        int    // more than 0: lines of a text area
	Required    bool
	Focus       bool
	List        string // id of a datalist
}

// Pick is a field whose value is one of a few.
type Pick struct {
	Name, Label string
	Hint        string
	Problem     string
	Options     []PickOption
}

// PickOption is one value of a Pick.
type PickOption struct {
	Value, Label string
	Chosen       bool
}

func (i Input) attributes() templ.Attributes {
	a := templ.Attributes{"id": i.Name, "name": i.Name, "autocomplete": "off"}
	if i.Numeric {
		a["inputmode"] = "decimal"
	}
	if i.Required {
		a["aria-required"] = "true"
	}
	if i.Focus {
		a["autofocus"] = true
	}
	if i.List != "" {
		a["list"] = i.List
	}
	return described(a, i.Name, i.Hint, i.Problem)
}

func (p Pick) attributes() templ.Attributes {
	return described(templ.Attributes{"id": p.Name, "name": p.Name}, p.Name, p.Hint, p.Problem)
}

// described joins a field with its hint and its problem for those who hear the page.
func described(a templ.Attributes, id, hint, problem string) templ.Attributes {
	by := ""
	if hint != "" {
		by = id + "-hint"
	}
	if problem != "" {
		a["aria-invalid"] = "true"
		if by != "" {
			by += " "
		}
		by += id + "-problem"
	}
	if by != "" {
		a["aria-describedby"] = by
	}
	return a
}

func named(label string) templ.Attributes { return templ.Attributes{"aria-label": label} }
