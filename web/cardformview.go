package web

import (
	"slices"
	"strconv"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/web/page"
)

// tricoat reports whether the colour of a formula depends on the number of its coats, so that its panel is stepped.
func tricoat(f formula.Formula) bool { return f.Coat == formula.Mid || f.Finish == formula.FinishPearl }

// cardFormView fills what the form shows from what was typed.
func cardFormView(v page.CardForm, f formula.Formula, form cardForm, problems entryProblems) page.CardForm {
	input := func(name, label, hint string) page.Input {
		return page.Input{Name: name, Label: label, Hint: hint, Value: form.values[name], Problem: problems[name]}
	}
	v.Opened, v.Photo, v.Summary = form.values["opened"], form.values["kept_photo"], summary(problems)
	v.By = input("by", "Sprayed by", "")
	v.Words = []page.Input{input("undercoat", "Undercoat grey", ""), input("size", "Size of the panel", "")}
	v.Gun = []page.Input{input("gun", "Nozzle and air cap", ""), input("pressure", "Pressure", ""), input("distance", "Distance", "")}
	v.Reduction = input("reduction", "Reduction", "")
	v.Notes = page.Input{Name: "notes", Label: "Notes", Value: form.values["notes"], Problem: problems["notes"], Rows: 5}
	v.PhotoProblem = problems["photo"]
	if v.Photo != "" {
		v.PhotoNote = "A photo is kept with this card. Another one takes its place."
	}
	v.Coats = coatsPick(form.get("coats"), problems["coats"])
	v.Cleared = twoWays("cleared", "Clear", "no", "not cleared", clearWords(f), form)
	v.Dry = twoWays("dry", "Dry", "no", "still wet", "dry", form)
	if tricoat(f) {
		v.Steps = stepForms(form, problems)
		v.StepsProblem, v.Chosen, v.NoneChosen = problems["steps"], joined(" ", problems["chosen"], problems["coats"]), form.get("chosen") == ""
	}
	v.Lights, v.EyeWrong = lightForms(form, problems), problems["verdicts"]
	v.Readings, v.ReadingsWrong = readingForms(form, f.Target, problems), problems["readings"]
	v.Spectrum, v.SpectrumAs, v.SpectrumAt = spectrumInputs(form, problems["spectrum"])
	v.TargetNote = targetNote(f.Target)
	v.Decisions, v.DecisionProblem = decisionForms(form), joined(" ", problems["decision"], problems["formula"], problems["batch"])
	v.Sections = sections(v, problems)
	return v
}

func clearWords(f formula.Formula) string {
	if f.Coat == formula.SingleStage || f.Coat == formula.Clear {
		return "needs no clear"
	}
	return "cleared"
}

func twoWays(name, label, no, noLabel, yesLabel string, form cardForm) page.Pick {
	yes := form.get(name) == "yes"
	return page.Pick{Name: name, Label: label, Options: []page.PickOption{{Value: no, Label: noLabel, Chosen: !yes}, {Value: "yes", Label: yesLabel, Chosen: yes}}}
}

// coatsPick offers one to six coats, and what was chosen where that is more.
func coatsPick(chosen, problem string) page.Pick {
	p := page.Pick{Name: "coats", Label: "Coats of colour", Problem: problem}
	found := false
	for n := 1; n <= 6; n++ {
		o := page.PickOption{Value: strconv.Itoa(n), Label: strconv.Itoa(n)}
		o.Chosen = o.Value == chosen
		found = found || o.Chosen
		p.Options = append(p.Options, o)
	}
	if chosen != "" && !found && len(chosen) < 40 {
		p.Options = append(p.Options, page.PickOption{Value: chosen, Label: chosen, Chosen: true})
	}
	return p
}

func stepForms(form cardForm, problems entryProblems) []page.CardStepForm {
	var rows []page.CardStepForm
	for n := 1; n <= card.MostSteps; n++ {
		row := page.CardStepForm{
			No: n, Label: counted(n, "mid coat", "mid coats"), Own: form.values[ownName(n)], Chosen: form.get("chosen") == strconv.Itoa(n),
			Problem: problems[card.StepField(n)], Describe: stepName(n),
		}
		word := form.get(stepName(n))
		row.Words = []page.PickOption{
			{Value: stepUnsprayed, Label: "not sprayed", Chosen: word == stepUnsprayed}, {Value: stepUnjudged, Label: "sprayed", Chosen: word == stepUnjudged},
		}
		for _, w := range stepWords {
			row.Words = append(row.Words, page.PickOption{Value: w, Label: w, Chosen: w == word})
		}
		rows = append(rows, row)
	}
	return rows
}

var lightHints = map[card.Light]string{
	card.Daylight: "Outdoors out of the sun, or a daylight lamp. Flake and pearl need the sun or one strong lamp.",
	card.Tungsten: "A filament or halogen lamp. A match by day that parts here is metameric.",
	card.Tube:     "As the hall or the workshop is lit.",
}

var sideWords = map[card.Side]string{card.Face: "Face", card.Flop: "Flop"}

func lightForms(form cardForm, problems entryProblems) []page.CardLight {
	var lights []page.CardLight
	for l, light := range card.Lights {
		v := page.CardLight{ID: "light-" + strconv.Itoa(l), Name: capital(string(light)), Hint: lightHints[light]}
		for s, side := range card.Sides {
			v.Sides = append(v.Sides, sideForm(form, l, s, sideWords[side], problems[card.VerdictField(light, side)]))
		}
		lights = append(lights, v)
	}
	return lights
}

func sideForm(form cardForm, l, s int, name, problem string) page.CardSide {
	v := page.CardSide{Name: name, Field: eyeName(l, s), Used: form.get(eyeName(l, s)) == "yes", Problem: problem, Words: "not looked at"}
	var said card.Verdict
	for i, axis := range card.Axes {
		off, err := strconv.Atoi(form.get(offName(l, s, i)))
		if err != nil || off < -3 || off > 3 {
			off = 0
		}
		said.Off[i] = off
		a := page.CardAxis{Field: offName(l, s, i), Less: axis.Less, More: axis.More}
		for n := -3; n <= 3; n++ {
			var one card.Verdict
			one.Off[i] = n
			a.Steps = append(a.Steps, page.CardAxisStep{Value: strconv.Itoa(n), Word: one.String(), Size: max(n, -n), Chosen: n == off})
		}
		v.Axes = append(v.Axes, a)
	}
	v.Used = v.Used || said.Off != [5]int{}
	if v.Used {
		v.Words = said.String()
	}
	return v
}

func geometryWords(g string) string {
	if g == "45/0" || g == "d/8" {
		return g
	}
	return g + "°"
}

func readingForms(form cardForm, target *colour.Lab, problems entryProblems) []page.CardReadingForm {
	results := form.results(target)
	rows := make([]page.CardReadingForm, len(card.Geometries))
	for g, geometry := range card.Geometries {
		rows[g] = page.CardReadingForm{ID: "reading-" + strconv.Itoa(g), Label: geometryWords(geometry), Problem: problems[card.ReadingField(geometry)], Result: results[g]}
		for _, part := range figures {
			rows[g].Figures = append(rows[g].Figures, page.CardFigure{Field: figureName(g, part), Label: part + "*", Value: form.values[figureName(g, part)]})
		}
	}
	return rows
}

func targetNote(target *colour.Lab) string {
	if target == nil {
		return "D65, 10°. Fill in the rows that were measured. This formula has no measured target, so there is nothing to compare with."
	}
	return "D65, 10°. Fill in the rows that were measured. The target is " + labWords(*target) + ". A number helps; the eye decides."
}

func labWords(l colour.Lab) string {
	return "L*\u00a0" + labFigure(l.L) + ", a*\u00a0" + labFigure(l.A) + ", b*\u00a0" + labFigure(l.B)
}

// labFigure writes a figure with one decimal and a proper minus.
func labFigure(v float64) string {
	text := decimal(v, 1)
	switch {
	case text == "-0.0":
		return "0.0"
	case text[0] == '-':
		return "−" + text[1:]
	}
	return text
}

var decisionWords = []page.CardDecision{
	{Value: string(card.EdgeToEdge), Shape: "edge", Title: "Edge to edge", Why: "panel against panel, nobody sees the joint"},
	{Value: string(card.Blend), Shape: "blend", Title: "Blend", Why: "close enough to run out into the next panel"},
	{Value: string(card.No), Shape: "no", Title: "No", Why: "tint the cup, or start over"},
	{Value: string(card.Open), Shape: "open", Title: "Not decided yet", Why: "the card hangs on the wall as it is"},
}

func decisionForms(form cardForm) []page.CardDecision {
	all := slices.Clone(decisionWords)
	for i := range all {
		all[i].Chosen = all[i].Value == form.get("decision")
	}
	return all
}

// decisionOf returns the shape and the words of what was made of a card.
func decisionOf(c card.Card) (shape, word string) {
	for _, w := range decisionWords {
		if w.Value == string(c.Decision) {
			shape, word = w.Shape, w.Title
		}
	}
	if c.Decision == card.Open && len(c.Verdicts) == 0 && len(c.Readings) == 0 {
		word = "Not judged yet"
	}
	return shape, word
}

// sections lists the steps of the form and marks those in which something is to be put right.
func sections(v page.CardForm, problems entryProblems) []page.CardSection {
	wrong := func(fields ...string) bool {
		return slices.ContainsFunc(fields, func(f string) bool { return problems[f] != "" })
	}
	stepped := len(v.Steps) > 0
	all := []page.CardSection{{ID: "panel", Label: "Panel", Wrong: wrong("undercoat", "size", "by", "seq") || !stepped && wrong("coats")}}
	if stepped {
		steps := page.CardSection{ID: "steps", Label: "Steps", Wrong: wrong("steps", "chosen", "coats")}
		for n := 1; n <= card.MostSteps; n++ {
			steps.Wrong = steps.Wrong || wrong(card.StepField(n))
		}
		all = append(all, steps)
	}
	all = append(all, page.CardSection{ID: "gun", Label: "Gun", Wrong: wrong("gun", "pressure", "distance", "reduction")})
	for l, light := range card.Lights {
		s := page.CardSection{ID: v.Lights[l].ID, Label: v.Lights[l].Name, Wrong: l == 0 && wrong("verdicts")}
		for _, side := range card.Sides {
			s.Wrong = s.Wrong || wrong(card.VerdictField(light, side))
		}
		all = append(all, s)
	}
	readings := page.CardSection{ID: "instrument", Label: "Instrument", Wrong: wrong("readings", "spectrum")}
	for _, g := range card.Geometries {
		readings.Wrong = readings.Wrong || wrong(card.ReadingField(g))
	}
	return append(all, readings,
		page.CardSection{ID: "photo", Label: "Photo", Wrong: wrong("photo", "notes")},
		page.CardSection{ID: "decision", Label: "Decision", Wrong: wrong("decision", "formula", "batch")})
}
