package web

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/card"
	"pourbook/internal/formula"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// roomCards is how many cards of the whole shop stand on one page.
const roomCards = 48

// family is a tree of formulas: the one from which all come, and each by its number.
type family struct {
	root    formula.Formula
	members map[int64]formula.Formula
}

func (s *server) family(ctx context.Context, formulaID int64) (family, error) {
	all, err := s.Store.Family(ctx, formulaID)
	if err != nil {
		return family{}, err
	}
	f := family{root: all[0], members: make(map[int64]formula.Formula, len(all))}
	for _, member := range all {
		f.members[member.ID] = member
	}
	return f, nil
}

// cardRoom shows the latest cards of the shop, each family's beside each other.
func (s *server) cardRoom(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	from := pageOffset(q)
	cards, err := s.Store.Cards(r.Context(), roomCards+1, from)
	if err != nil {
		return err
	}
	v := page.CardRoom{Chrome: s.cardChrome(r, "Cards")}
	if from > 0 {
		v.Newer = pageAddress("/cards", q, max(0, from-roomCards))
	}
	if len(cards) > roomCards {
		cards = cards[:roomCards]
		v.Older = pageAddress("/cards", q, from+roomCards)
	}
	families := map[int64]family{} // by each member
	groups := map[int64]int{}      // by root
	for _, c := range cards {
		f, ok := families[c.FormulaID]
		if !ok {
			if f, err = s.family(r.Context(), c.FormulaID); err != nil {
				return err
			}
			for id := range f.members {
				families[id] = f
			}
		}
		at, ok := groups[f.root.ID]
		if !ok {
			at = len(v.Groups)
			groups[f.root.ID] = at
			v.Groups = append(v.Groups, page.CardGroup{Title: f.root.Title(), Coat: string(f.root.Coat), Href: "/cards/" + strconv.FormatInt(f.root.ID, 10), Swatch: f.root.Swatch})
		}
		v.Groups[at].Tiles = append(v.Groups[at].Tiles, s.cardTile(c, f))
	}
	titles := map[string]int{}
	for _, g := range v.Groups {
		titles[g.Title]++
	}
	for i, g := range v.Groups { // the coat is only said where it tells two of one name apart
		if titles[g.Title] == 1 {
			v.Groups[i].Coat = ""
		}
	}
	return render(w, r, http.StatusOK, page.CardRoomPage(v))
}

// cardWall shows every card of the family of a formula, newest first.
func (s *server) cardWall(w http.ResponseWriter, r *http.Request) error {
	id, err := pathID(r, "formula")
	if err != nil {
		return err
	}
	f, err := s.family(r.Context(), id)
	if err != nil {
		return err
	}
	cards, err := s.Store.Wall(r.Context(), id)
	if err != nil {
		return err
	}
	asked := f.members[id]
	v := page.CardWall{
		Chrome: s.cardChrome(r, "Cards of "+asked.Title()), Title: "Cards of " + f.root.Title(), FormulaRef: formulaHref(id),
		MixRef: "/mix/" + strconv.FormatInt(id, 10), Sub: counted(len(cards), "card", "cards"),
	}
	if len(cards) == 0 {
		v.Sub = ""
	} else if n := len(f.members); n > 1 {
		v.Sub += " of the formula and its " + counted(n-1, "variant", "variants")
	}
	for _, c := range cards {
		v.Tiles = append(v.Tiles, s.cardTile(c, f))
	}
	return render(w, r, http.StatusOK, page.CardWallPage(v))
}

func (s *server) cardTile(c card.Card, f family) page.CardTile {
	of := f.members[c.FormulaID]
	t := page.CardTile{
		Href: cardHref(c.ID), Number: "Card " + strconv.Itoa(c.Number), Drawing: cardDrawing(c, of),
		Meta: s.day(c.SprayedAt), NotFinal: notFinal(c),
	}
	t.Shape, t.Decision = decisionOf(c)
	if c.FormulaID != f.root.ID {
		t.Of = of.Title()
	}
	if m, ok := c.Main(); ok && of.Target != nil {
		deltaE, word := differenceWords(m, of.Target)
		t.DeltaE = "ΔE " + deltaE + ", " + word
	}
	return t
}

// notFinal says why a judgement of a card does not count yet, nothing where it does.
func notFinal(c card.Card) string {
	switch {
	case c.Final():
		return ""
	case !c.Dry && !c.Cleared:
		return "Not final: wet and not cleared"
	case !c.Dry:
		return "Not final: still wet"
	}
	return "Not final: not cleared"
}

// cardDrawing draws a card in the colour that was read from it, else in that of its formula.
func cardDrawing(c card.Card, f formula.Formula) page.CardDrawing {
	d := page.CardDrawing{Fill: f.Swatch, Label: "Panel, drawn in the formula's colour"}
	if m, ok := c.Main(); ok {
		d.Fill, _ = m.Lab.Hex()
		d.Label = "Panel, drawn from its reading"
		if f.Target != nil {
			d.Target, _ = f.Target.Hex()
			d.Label += ", the target beside it"
		}
	}
	for _, step := range c.Steps {
		d.Steps = append(d.Steps, page.CardDrawingStep{Coats: step.MidCoats, Chosen: step.Chosen})
	}
	if len(d.Steps) > 0 {
		d.Label = "Stepped panel, " + counted(len(d.Steps), "field", "fields")
	}
	for _, step := range c.Steps {
		if step.Chosen {
			d.Label += ", " + counted(step.MidCoats, "mid coat", "mid coats") + " chosen"
		}
	}
	return d
}

// cardPage shows one card as the record of what was sprayed and seen.
func (s *server) cardPage(w http.ResponseWriter, r *http.Request) error {
	c, err := s.cardOf(r)
	if err != nil {
		return err
	}
	f, err := s.Store.Formula(r.Context(), c.FormulaID)
	if err != nil {
		return err
	}
	saves, err := s.Store.CardHistory(r.Context(), c.ID)
	if err != nil {
		return err
	}
	var cup *pour.State
	if c.Batch != "" {
		state, err := s.Store.State(r.Context(), c.Batch)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return err
		}
		if err == nil {
			cup = &state
		}
	}
	v := s.cardView(r, c, f, saves, cup)
	if err := s.fillMeasured(r.Context(), &v, c); err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.CardPage(v))
}

func (s *server) cardView(r *http.Request, c card.Card, f formula.Formula, saves []store.CardSave, cup *pour.State) page.Card {
	number := strconv.Itoa(c.Number)
	v := page.Card{
		Chrome: s.cardChrome(r, "Card "+number+" of "+f.Title()), Heading: "Card " + number, Formula: f.Title(), FormulaRef: formulaHref(f.ID),
		WallRef: "/cards/" + strconv.FormatInt(f.ID, 10), EditRef: cardHref(c.ID) + "/edit", Drawing: cardDrawing(c, f), BatchWord: "none",
		Notes: paragraphs(c.Notes),
	}
	if c.RevisionID != 0 {
		v.FormulaRef += "?rev=" + strconv.FormatInt(c.RevisionID, 10)
	}
	v.Shape, v.Decision = decisionOf(c)
	if why := notFinal(c); why != "" {
		v.NotFinal = why + ". Solids usually darken as they dry, and clear deepens: judge it again then."
	}
	s.fillBeside(&v, c, f)
	s.fillSeen(&v, c, f)
	s.fillCardFacts(&v, c)
	for i, save := range saves {
		v.History = append(v.History, page.CardSaveRow{At: s.moment(save.At), By: orSomebody(save.By), What: whatChanged(saves[:i], save)})
	}
	slices.Reverse(v.History)
	if v.Saved = "Saved once"; len(saves) > 1 {
		v.Saved = "Saved " + strconv.Itoa(len(saves)) + " times"
	}
	if c.Photo != 0 {
		v.PhotoSrc = photoHref(c)
	}
	v.Label = page.CardLabel{Number: number, Formula: f.Title(), Code: f.Code, Small: "Sprayed " + joined(" by ", s.day(c.SprayedAt), c.By)}
	v.Label.Line = joined(", ", v.Decision, setUp(c))
	if cup != nil {
		v.BatchRef = "/batch/" + cup.Batch
		v.BatchWord = joined(", ", cup.Plan.Job, cup.Plan.Asked, s.day(cup.StartedAt))
		v.Label.Line = joined(", ", "Batch of "+s.day(cup.StartedAt), cup.Plan.Job)
		v.Forget = "/batch/" + cup.Batch + "/card " + v.EditRef
		if c.Decision != card.EdgeToEdge && cup.Need() == pour.NeedNext && cup.Reduced == nil {
			v.TintRef = "/batch/" + cup.Batch + "/tint"
		}
	}
	return v
}

func (s *server) fillBeside(v *page.Card, c card.Card, f formula.Formula) {
	v.SwatchNote = "Drawn in the formula's colour. A screen is no colour standard: judge the panel."
	m, ok := c.Main()
	if !ok {
		return
	}
	v.SwatchNote = "Drawn from the reading at " + geometryWords(m.Geometry) + ". A screen is no colour standard: judge the panel."
	hex, inGamut := m.Lab.Hex()
	if f.Target != nil {
		target, targetIn := f.Target.Hex()
		v.Beside = []page.CardSwatch{{Hex: hex, Name: "Card", Figures: labWords(m.Lab)}, {Hex: target, Name: "Target", Figures: labWords(*f.Target)}}
		inGamut = inGamut && targetIn
	}
	if !inGamut {
		v.SwatchNote += " A screen cannot show a colour this strong at all; this is the nearest."
	}
}

// fillSeen fills what was judged by eye, step by step and by instrument.
func (s *server) fillSeen(v *page.Card, c card.Card, f formula.Formula) {
	for _, side := range card.Sides {
		v.Sides = append(v.Sides, sideWords[side])
	}
	for _, light := range card.Lights {
		row := page.CardVerdictRow{Light: capital(string(light))}
		seen := false
		for _, side := range card.Sides {
			words := "not looked at"
			for _, verdict := range c.Verdicts {
				if verdict.Light == light && verdict.Side == side {
					words, seen = verdict.String(), true
				}
			}
			row.Words = append(row.Words, words)
		}
		if seen {
			v.Verdicts = append(v.Verdicts, row)
		}
	}
	for _, step := range c.Steps {
		word := step.Word
		if word == "" {
			word = "not judged"
		}
		v.Steps = append(v.Steps, page.CardStepRow{Coats: counted(step.MidCoats, "mid coat", "mid coats"), Word: word, Chosen: step.Chosen})
	}
	for _, m := range c.Readings {
		row := page.CardReadingRow{Geometry: geometryWords(m.Geometry), L: labFigure(m.Lab.L), A: labFigure(m.Lab.A), B: labFigure(m.Lab.B)}
		row.DeltaE, row.Word = differenceWords(m, f.Target)
		v.Readings = append(v.Readings, row)
	}
	v.Compared = f.Target != nil
	if len(c.Readings) > 0 {
		m := c.Readings[0]
		v.ReadingsNote = joined(", ", m.Illuminant, observerWords(m.Observer)) + "."
		if f.Target != nil {
			v.ReadingsNote += " Target " + labWords(*f.Target) + ". A number helps; the eye decides."
		}
	}
}

func observerWords(degrees string) string {
	if degrees == "" {
		return ""
	}
	return degrees + "°"
}

// moment returns a time as the shop's own clock has it.
func (s *server) moment(t time.Time) string {
	return t.In(s.Now().Location()).Format("2 Jan 2006, 15:04")
}

func orSomebody(name string) string {
	if name == "" {
		return "somebody"
	}
	return name
}

func setUp(c card.Card) string { return joined(", ", c.Gun, c.Pressure, c.Distance) }

func (s *server) fillCardFacts(v *page.Card, c card.Card) {
	coats := ""
	if c.Coats > 0 {
		coats = strconv.Itoa(c.Coats)
	}
	dry, cleared := "wet", "not cleared"
	if c.Dry {
		dry = "dry"
	}
	if c.Cleared {
		cleared = "cleared"
	}
	decided := ""
	if !c.DecidedAt.IsZero() {
		decided = s.moment(c.DecidedAt)
	}
	for _, fact := range []page.CardFact{
		{Name: "Sprayed", Value: joined(", ", s.moment(c.SprayedAt), c.By)},
		{Name: "Decided", Value: decided},
		{Name: "Coats", Value: coats},
		{Name: "Judged", Value: dry + ", " + cleared},
		{Name: "Gun", Value: setUp(c)},
		{Name: "Reduction", Value: c.Reduction},
		{Name: "Undercoat", Value: c.Undercoat},
		{Name: "Panel", Value: c.Size},
	} {
		if fact.Value != "" {
			v.Facts = append(v.Facts, fact)
		}
	}
}

// whatChanged says in words what a save changed against the one before it.
func whatChanged(before []store.CardSave, now store.CardSave) string {
	_, decision := decisionOf(now.Card)
	if len(before) == 0 {
		return "logged: " + strings.ToLower(decision)
	}
	old, c := before[len(before)-1].Card, now.Card
	var changed []string
	note := func(differs bool, what string) {
		if differs {
			changed = append(changed, what)
		}
	}
	note(old.Decision != c.Decision, "decision: "+strings.ToLower(decision))
	note(old.Dry != c.Dry && c.Dry, "dry")
	note(old.Dry != c.Dry && !c.Dry, "wet")
	note(old.Cleared != c.Cleared && c.Cleared, "cleared")
	note(old.Cleared != c.Cleared && !c.Cleared, "not cleared")
	note(!slices.Equal(old.Verdicts, c.Verdicts), "what the eye said")
	note(!slices.Equal(old.Readings, c.Readings), "readings")
	note(!old.Spectrum.Same(c.Spectrum), "spectrum")
	note(!slices.Equal(old.Steps, c.Steps), "steps")
	note(old.Coats != c.Coats, "coats")
	note(old.Gun != c.Gun || old.Pressure != c.Pressure || old.Distance != c.Distance, "gun")
	note(old.Reduction != c.Reduction, "reduction")
	note(old.Undercoat != c.Undercoat || old.Size != c.Size, "panel")
	note(old.By != c.By, "who sprayed it")
	note(old.BatchSeq != c.BatchSeq, "which drawing")
	note(old.Notes != c.Notes, "notes")
	note(old.Photo != c.Photo, "photo")
	if len(changed) == 0 {
		return "saved, nothing changed"
	}
	return strings.Join(changed, ", ")
}
