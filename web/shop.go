package web

import (
	"fmt"
	"net/http"
	"strings"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// shopPage shows what a shop may change.
func (s *server) shopPage(w http.ResponseWriter, r *http.Request) error {
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	v := s.shopView(r, settings)
	v.Saved = r.FormValue("saved") != ""
	return render(w, r, http.StatusOK, page.ShopPage(v))
}

func (s *server) shopView(r *http.Request, set store.Settings) page.Shop {
	v := page.Shop{
		Chrome: s.chrome(r, "Shop", page.RoomShop),
		Name:   set.ShopName, Currency: set.Currency, Limit: trimFloat(set.LimitDeltaE), Tolerance: trimFloat(set.TolerancePercent),
		CupCost: moneyField(set.CupCost), Minute: moneyField(set.MinuteRate), Division: set.Balance.Division.Show(1), Max: set.Balance.Max.Show(gram.Gram),
		Typed: set.TypedReadings, ScaleName: s.Bench.Called(), ScaleDivision: s.Bench.Balance().Division.Show(1), Pretend: s.Hand != nil,
		Locked: visitorOf(r).Locked, Problems: map[string]string{},
	}
	if set.Balance.HighFrom > 0 {
		v.HighFrom, v.HighDivision = set.Balance.HighFrom.Show(gram.Gram), set.Balance.HighDivision.Show(1)
	}
	for _, c := range set.Cups {
		v.Cups = append(v.Cups, page.ShopCup{Name: c.Name, Brim: trimFloat(c.Brim), Empty: c.Empty.Show(100)})
	}
	v.Cups = append(v.Cups, page.ShopCup{})
	return v
}

func moneyField(m formula.Money) string { return fmt.Sprintf("%d.%02d", m/100, m%100) }

// shopSave keeps the settings, or shows the form again with what is wrong beside its field.
func (s *server) shopSave(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	form := shopForm{values: r.PostForm, problems: map[string]string{}}
	form.into(&settings)
	if len(form.problems) == 0 {
		if err := s.Store.SaveSettings(r.Context(), settings); err != nil {
			return err
		}
		http.Redirect(w, r, "/shop?saved=1", http.StatusSeeOther)
		return nil
	}
	v := s.shopView(r, settings)
	v.Problems = form.problems
	form.keep(&v)
	return render(w, r, http.StatusUnprocessableEntity, page.ShopPage(v))
}

// shopForm is the posted form and what is wrong with it, by field.
type shopForm struct {
	values   map[string][]string
	problems map[string]string
}

func (f shopForm) get(name string) string {
	if v := f.values[name]; len(v) > 0 {
		return strings.TrimSpace(v[0])
	}
	return ""
}

func (f shopForm) number(name string, low, high float64) float64 {
	n, err := formula.ParseNumber(f.get(name))
	switch {
	case err != nil:
		f.problems[name] = err.Error()
	case n < low || n > high:
		f.problems[name] = fmt.Sprintf("Enter a number from %s to %s.", trimFloat(low), trimFloat(high))
	}
	return n
}

func (f shopForm) mass(name string, high gram.Mass) gram.Mass {
	m, err := formula.ParseMass(f.get(name))
	switch {
	case err != nil:
		f.problems[name] = err.Error()
	case m <= 0 || m > high:
		f.problems[name] = fmt.Sprintf("Enter grams above 0 and at most %s.", high.Show(gram.Gram))
	}
	return m
}

func (f shopForm) money(name string) formula.Money {
	m, err := formula.ParseMoney(f.get(name))
	if err != nil {
		f.problems[name] = err.Error()
	}
	return m
}

func (f shopForm) into(set *store.Settings) {
	set.ShopName, set.Currency = f.get("name"), f.get("currency")
	if len([]rune(set.ShopName)) > 80 {
		f.problems["name"] = "Use at most 80 letters."
	}
	if len([]rune(set.Currency)) > 8 {
		f.problems["currency"] = "Use at most 8 letters."
	}
	set.LimitDeltaE = f.number("limit", 0.05, 5)
	set.TolerancePercent = f.number("tolerance", 1, 100)
	set.CupCost, set.MinuteRate = f.money("cup_cost"), f.money("minute")
	set.Balance = gram.Balance{Division: f.mass("division", 10*gram.Gram), Max: f.mass("max", 100*gram.Kilogram)}
	if f.get("high_from") != "" {
		set.Balance.HighFrom, set.Balance.HighDivision = f.mass("high_from", 100*gram.Kilogram), f.mass("high_division", 10*gram.Gram)
	}
	set.TypedReadings = f.get("typed") != ""
	set.Cups = f.cups()
}

func (f shopForm) cups() []pour.Cup {
	var cups []pour.Cup
	names, brims, empties := f.values["cup_name"], f.values["cup_brim"], f.values["cup_empty"]
	for i := range min(len(names), len(brims), len(empties), 20) {
		name := strings.TrimSpace(names[i])
		if name == "" {
			continue
		}
		brim, err := formula.ParseNumber(brims[i])
		if err != nil || brim <= 0 || brim > 100_000 {
			f.problems["cups"] = name + ": how many millilitres to the brim? Enter a number above 0."
			continue
		}
		cup := pour.Cup{Name: name, Brim: brim}
		if text := strings.TrimSpace(empties[i]); text != "" {
			if cup.Empty, err = formula.ParseMass(text); err != nil {
				f.problems["cups"] = name + ": " + err.Error()
			}
		}
		cups = append(cups, cup)
	}
	return cups
}

// keep puts what was typed back into the form.
func (f shopForm) keep(v *page.Shop) {
	v.Name, v.Currency, v.Limit, v.Tolerance = f.get("name"), f.get("currency"), f.get("limit"), f.get("tolerance")
	v.CupCost, v.Minute, v.Division, v.Max = f.get("cup_cost"), f.get("minute"), f.get("division"), f.get("max")
	v.HighFrom, v.HighDivision, v.Typed = f.get("high_from"), f.get("high_division"), f.get("typed") != ""
	v.Cups = nil
	for i, name := range f.values["cup_name"] {
		c := page.ShopCup{Name: name}
		if i < len(f.values["cup_brim"]) {
			c.Brim = f.values["cup_brim"][i]
		}
		if i < len(f.values["cup_empty"]) {
			c.Empty = f.values["cup_empty"][i]
		}
		v.Cups = append(v.Cups, c)
	}
	if n := len(v.Cups); n > 0 && v.Cups[n-1].Name != "" && n < 20 {
		v.Cups = append(v.Cups, page.ShopCup{Name: ""})
	}
}
