package web

import (
	"errors"
	"fmt"
	"mime/multipart"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/card"
	"pourbook/internal/colour"
	"pourbook/internal/formula"
	"pourbook/web/page"
)

// cardForm is a card as it was typed: every word is kept, right or wrong.
type cardForm struct {
	values map[string]string
	sent   []string // names of all that came, for what the form does not have
}

// photoMemory is how much of an upload is held in memory; the rest waits in a file of the system.
const photoMemory = 1 << 20

// The fields of the form that hold one value each, besides those of steps, verdicts and readings.
var cardFields = []string{
	"opened", "seq", "by", "coats", "cleared", "dry", "undercoat", "size", "gun", "pressure", "distance", "reduction",
	"chosen", "notes", "decision", "kept_photo", "photo_off", "spectrum", "spectrum_as", "spectrum_at",
}

// The words that a step of a panel may be told by without typing.
var stepWords = []string{"not enough", "nearly", "right", "too much"}

const (
	stepUnsprayed = ""
	stepUnjudged  = "sprayed"
)

func stepName(n int) string                    { return "step-" + strconv.Itoa(n) }
func ownName(n int) string                     { return "own-" + strconv.Itoa(n) }
func eyeName(light, side int) string           { return fmt.Sprintf("eye-%d-%d", light, side) }
func offName(light, side, axis int) string     { return fmt.Sprintf("off-%d-%d-%d", light, side, axis) }
func figureName(geometry int, p string) string { return fmt.Sprintf("read-%d-%s", geometry, p) }

var figures = []string{"L", "a", "b"}

func (f cardForm) get(name string) string { return strings.TrimSpace(f.values[name]) }

// readCard reads the form as it was sent, as an upload or plainly.
func readCard(r *http.Request) (cardForm, error) {
	err := r.ParseForm() // first and by itself: its error is lost in ParseMultipartForm
	if err == nil && isUpload(r) {
		err = r.ParseMultipartForm(photoMemory)
	}
	if errors.Is(err, multipart.ErrMessageTooLarge) {
		return cardForm{}, &fault{status: http.StatusRequestEntityTooLarge, sentence: "That is more than a card takes.", next: "Go back, shorten the notes or choose a smaller photo, and send it again.", cause: err}
	}
	if err != nil {
		return cardForm{}, unreadable(err)
	}
	f := cardForm{values: map[string]string{}}
	for name, values := range r.Form {
		if len(values) > 0 {
			f.sent = append(f.sent, name)
			f.values[name] = validText(values[0])
		}
	}
	if err := f.takeSpectrumFile(r); err != nil {
		return f, err
	}
	slices.Sort(f.sent)
	if r.Method == http.MethodPost && !slices.ContainsFunc(cardFields, func(name string) bool { return slices.Contains(f.sent, name) }) {
		return f, unreadable(errors.New("no field of a card"))
	}
	return f, nil
}

// cardFormOf writes a card into the form.
func cardFormOf(c card.Card) cardForm {
	f := cardForm{values: map[string]string{
		"seq": strconv.Itoa(c.BatchSeq), "by": c.By, "undercoat": c.Undercoat, "size": c.Size, "gun": c.Gun, "pressure": c.Pressure,
		"distance": c.Distance, "reduction": c.Reduction, "notes": c.Notes, "decision": string(c.Decision),
		"cleared": yesNo(c.Cleared), "dry": yesNo(c.Dry),
	}}
	if c.Coats > 0 {
		f.values["coats"] = strconv.Itoa(c.Coats)
	}
	if c.Photo != 0 {
		f.values["kept_photo"] = strconv.FormatInt(c.Photo, 10)
	}
	if c.Spectrum != nil {
		f.values["spectrum"], f.values["spectrum_at"] = c.Spectrum.Text(), c.Spectrum.Geometry
	}
	for _, s := range c.Steps {
		switch {
		case s.Word == "":
			f.values[stepName(s.MidCoats)] = stepUnjudged
		case slices.Contains(stepWords, s.Word):
			f.values[stepName(s.MidCoats)] = s.Word
		default:
			f.values[stepName(s.MidCoats)], f.values[ownName(s.MidCoats)] = stepUnjudged, s.Word
		}
		if s.Chosen {
			f.values["chosen"] = strconv.Itoa(s.MidCoats)
		}
	}
	for _, v := range c.Verdicts {
		light, side := slices.Index(card.Lights, v.Light), slices.Index(card.Sides, v.Side)
		f.values[eyeName(light, side)] = "yes"
		for i, off := range v.Off {
			f.values[offName(light, side, i)] = strconv.Itoa(off)
		}
	}
	for _, m := range c.Readings {
		if g := slices.Index(card.Geometries, m.Geometry); g >= 0 {
			for i, v := range []float64{m.Lab.L, m.Lab.A, m.Lab.B} {
				f.values[figureName(g, figures[i])] = strconv.FormatFloat(v, 'f', -1, 64)
			}
		}
	}
	return f
}

func yesNo(yes bool) string {
	if yes {
		return "yes"
	}
	return "no"
}

// card reads the form into a card. What is wrong goes into problems, by the fields of card.Check.
func (f cardForm) card(c card.Card, stepped bool, problems entryProblems) card.Card {
	c.By, c.Undercoat, c.Size, c.Notes = f.get("by"), f.get("undercoat"), f.get("size"), strings.TrimSpace(f.values["notes"])
	c.Gun, c.Pressure, c.Distance, c.Reduction = f.get("gun"), f.get("pressure"), f.get("distance"), f.get("reduction")
	c.Cleared, c.Dry, c.Decision = f.get("cleared") == "yes", f.get("dry") == "yes", card.Decision(f.get("decision"))
	c.Coats = 0
	if text := f.get("coats"); text != "" && !stepped {
		n, err := strconv.Atoi(text)
		if err != nil {
			problems.add("coats", "The coats are no whole number. Choose how many there are.")
		}
		c.Coats = n
	}
	c.Steps = nil
	if stepped {
		c.Steps = f.steps(problems)
		for _, s := range c.Steps {
			if s.Chosen {
				c.Coats = s.MidCoats
			}
		}
	}
	c.Verdicts = f.verdicts(problems)
	c.Spectrum = f.curve(c.Spectrum, problems)
	c.Readings = withCurve(f.readings(c.Readings, problems), c.Spectrum)
	problems.takeError(card.Check(c))
	return c
}

func (f cardForm) steps(problems entryProblems) []card.Step {
	var steps []card.Step
	chosen := f.get("chosen")
	for n := 1; n <= card.MostSteps; n++ {
		word, own := f.get(stepName(n)), f.get(ownName(n))
		isChosen := chosen == strconv.Itoa(n)
		if word == stepUnsprayed && own == "" && !isChosen {
			continue
		}
		switch {
		case own != "":
			word = own
		case word == stepUnjudged:
			word = ""
		case word != "" && !slices.Contains(stepWords, word):
			problems.add(card.StepField(n), "That is none of the words. Choose one or write your own.")
		}
		steps = append(steps, card.Step{MidCoats: n, Word: word, Chosen: isChosen})
	}
	if n, err := strconv.Atoi(chosen); chosen != "" && (err != nil || n < 1 || n > card.MostSteps) {
		problems.add("chosen", "The step that was chosen is not on the panel. Choose one of the four.")
	}
	for _, name := range f.sent {
		text, isStep := strings.CutPrefix(name, "step-")
		if n, err := strconv.Atoi(text); isStep && (err != nil || n < 1 || n > card.MostSteps) && f.get(name) != "" {
			problems.add("steps", fmt.Sprintf("A stepped panel has 1 to %d mid coats. Leave out what goes beyond.", card.MostSteps))
		}
	}
	return steps
}

// verdicts keeps only what was looked at: where a side was ticked, or any step is off the middle.
func (f cardForm) verdicts(problems entryProblems) []card.Verdict {
	var verdicts []card.Verdict
	for l, light := range card.Lights {
		for s, side := range card.Sides {
			v := card.Verdict{Light: light, Side: side}
			for i := range v.Off {
				text := f.get(offName(l, s, i))
				if text == "" {
					continue
				}
				n, err := strconv.Atoi(text)
				if err != nil {
					problems.add(card.VerdictField(light, side), "A step of the verdict is none of the seven. Choose again.")
				}
				v.Off[i] = n
			}
			if f.get(eyeName(l, s)) == "yes" || v.Off != [5]int{} {
				verdicts = append(verdicts, v)
			}
		}
	}
	return verdicts
}

// readings keeps the rows that hold a number. A reading that stays as it was keeps its illuminant and observer; a new
// one is taken as D65 and 10 degrees, which the form says.
func (f cardForm) readings(before []card.Measured, problems entryProblems) []card.Measured {
	var readings []card.Measured
	for g, geometry := range card.Geometries {
		m, typed, sentence := f.reading(g)
		if !typed {
			continue
		}
		if sentence != "" {
			problems.add(card.ReadingField(geometry), sentence)
			continue
		}
		for _, b := range before {
			if b.Geometry == geometry && b.Lab == m.Lab {
				m = b
			}
		}
		readings = append(readings, m)
	}
	return readings
}

func (f cardForm) reading(g int) (m card.Measured, typed bool, sentence string) {
	m = card.Measured{Geometry: card.Geometries[g], Illuminant: "D65", Observer: "10"}
	missing := ""
	for i, to := range []*float64{&m.Lab.L, &m.Lab.A, &m.Lab.B} {
		text := f.get(figureName(g, figures[i]))
		if text == "" {
			missing = figures[i] + "*"
			continue
		}
		typed = true
		v, err := formula.ParseNumber(text)
		if err != nil && sentence == "" {
			sentence = figures[i] + "*: " + plain(err)
		}
		*to = v
	}
	if typed && sentence == "" && missing != "" {
		sentence = missing + " is missing. A reading needs all three, or none."
	}
	return m, typed, sentence
}

// results works out how far each typed reading is from the target.
func (f cardForm) results(target *colour.Lab) []page.CardResult {
	results := make([]page.CardResult, len(card.Geometries))
	for g := range card.Geometries {
		m, typed, sentence := f.reading(g)
		results[g] = page.CardResult{ID: "result-" + strconv.Itoa(g)}
		switch {
		case !typed:
		case sentence != "" || m.Valid() != nil:
			results[g].Word = "–"
		default:
			results[g].DeltaE, results[g].Word = differenceWords(m, target)
		}
	}
	return results
}

func differenceWords(m card.Measured, target *colour.Lab) (deltaE, word string) {
	if target == nil {
		return "", "no target"
	}
	d, ok := m.FromTarget(*target)
	if !ok {
		return "", "no target at this angle"
	}
	return decimal(d, 2), seenBy(d)
}

// openedAt returns when the form was opened, which is when the card is taken to have been sprayed and by which a form
// sent twice is known. What is no time of the last two days counts as now.
func (f cardForm) openedAt(now time.Time) time.Time {
	n, err := strconv.ParseInt(f.get("opened"), 10, 64)
	at := time.UnixMilli(n).In(now.Location())
	if err != nil || at.After(now) || now.Sub(at) > 48*time.Hour {
		return now
	}
	return at
}
