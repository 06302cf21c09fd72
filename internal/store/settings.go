package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

// Settings is what a shop may change. Each field is one row, named by its json tag.
type Settings struct {
	ShopName         string        `json:"shop_name"`
	Currency         string        `json:"currency"`          // as it is shown: "EUR", "kr"
	LimitDeltaE      float64       `json:"limit_delta_e"`     // ΔE00 that is let pass at the bench
	TolerancePercent float64       `json:"tolerance_percent"` // by how much one division may change a toner's own grams
	CupCost          formula.Money `json:"cup_cost"`
	MinuteRate       formula.Money `json:"minute_rate"` // of a mixer's minute
	Balance          gram.Balance  `json:"balance"`
	Cups             []pour.Cup    `json:"cups"` // smallest first
	Unit             gram.Unit     `json:"unit"` // in which amounts are asked for
	TypedReadings    bool          `json:"typed_readings"`
	Scale            ScaleSetup    `json:"scale"`
	CheckWeight      gram.Mass     `json:"check_weight"` // of the known weight that the scale is checked with; 0: not told yet
}

// The kinds of scale that a shop may have.
const (
	ScaleTyped   = "typed"   // its display is read off and typed
	ScaleSerial  = "serial"  // on a serial port, or a USB plug that looks like one
	ScaleHID     = "hid"     // a USB scale that reports by itself
	ScalePretend = "pretend" // none: a simulated one, to try things out
)

// ScaleSetup is how the scale of the shop is reached, as it was typed. Whether a port or a line makes sense is for those
// who open it.
type ScaleSetup struct {
	Kind string `json:"kind"`

	Path     string        `json:"path,omitempty"` // of the port
	Baud     int           `json:"baud,omitempty"`
	DataBits int           `json:"data_bits,omitempty"`
	Parity   string        `json:"parity,omitempty"`
	TwoStops bool          `json:"two_stops,omitempty"`
	Family   string        `json:"family,omitempty"` // form of its lines
	Unit     string        `json:"unit,omitempty"`   // of lines that name none
	Line     string        `json:"line,omitempty"`   // the owner's own form
	Stable   string        `json:"stable,omitempty"`
	Moving   string        `json:"moving,omitempty"`
	Decimals int           `json:"decimals,omitempty"`
	Ask      string        `json:"ask,omitempty"`
	Every    time.Duration `json:"every,omitempty"`

	Vendor  uint16 `json:"vendor,omitempty"` // of a USB scale
	Product uint16 `json:"product,omitempty"`
	Unique  string `json:"unique,omitempty"`

	Balance gram.Balance `json:"balance"` // of a connected scale; that of a typed one is Settings.Balance
}

// DefaultSettings are those of a new book. Limits, cups and scale are common practice, no source.
func DefaultSettings() Settings {
	return Settings{
		Currency: "EUR", LimitDeltaE: 0.3, TolerancePercent: 20,
		Balance: gram.Balance{Division: 100 * gram.Milligram, Max: 7500 * gram.Gram},
		Cups: []pour.Cup{
			{Name: "400 ml cup", Brim: 400, Empty: 15 * gram.Gram},
			{Name: "750 ml cup", Brim: 750, Empty: 25 * gram.Gram},
			{Name: "1400 ml cup", Brim: 1400, Empty: 40 * gram.Gram},
			{Name: "2300 ml cup", Brim: 2300, Empty: 60 * gram.Gram},
		},
		Unit: "g", Scale: ScaleSetup{Kind: ScaleTyped},
	}
}

// fields walks the settings as (row name, pointer to the field).
func (s *Settings) fields(do func(name string, field any) error) error {
	v := reflect.ValueOf(s).Elem()
	for i := range v.NumField() {
		if err := do(v.Type().Field(i).Tag.Get("json"), v.Field(i).Addr().Interface()); err != nil {
			return err
		}
	}
	return nil
}

// Settings returns the shop's settings; what was never saved has its default.
func (s *Store) Settings(ctx context.Context) (Settings, error) {
	const doing = "read the settings"
	type row struct{ name, value string }
	rows, err := collect(ctx, s.read, `SELECT name, value FROM setting`, nil, func(r *sql.Rows, to *row) error { return r.Scan(&to.name, &to.value) })
	if err != nil {
		return Settings{}, explain(doing, err)
	}
	kept := make(map[string]string, len(rows))
	for _, r := range rows {
		kept[r.name] = r.value
	}
	settings := DefaultSettings()
	err = settings.fields(func(name string, field any) error {
		value, ok := kept[name]
		if !ok {
			return nil
		}
		reflect.ValueOf(field).Elem().SetZero() // a list is replaced, not written over
		if err := json.Unmarshal([]byte(value), field); err != nil {
			return fmt.Errorf("setting %s: %w", name, err)
		}
		return nil
	})
	return settings, explain(doing, err)
}

// SaveSettings keeps all settings.
func (s *Store) SaveSettings(ctx context.Context, settings Settings) error {
	const doing = "save the settings"
	if err := checkSettings(settings); err != nil {
		return err
	}
	return s.update(ctx, doing, func(t *tx) error {
		return settings.fields(func(name string, field any) error {
			value, err := json.Marshal(field)
			if err != nil {
				return err
			}
			return t.exec(`INSERT INTO setting (name, value, updated_at) VALUES (?, ?, ?)
				ON CONFLICT (name) DO UPDATE SET value = excluded.value, updated_at = excluded.updated_at WHERE value <> excluded.value`, name, string(value), t.now.UnixMilli())
		})
	})
}

func checkBalance(ps *formula.Problems, field string, b gram.Balance) {
	add := func(detail string) { *ps = append(*ps, formula.Problem{Field: field, Detail: detail}) }
	switch {
	case b.Division <= 0 || b.Division > gram.Kilogram:
		add("the scale's smallest step lies above 0 and up to 1 kg. Read it off its label.")
	case b.HighFrom < 0 || b.HighFrom > 0 && b.HighDivision < b.Division:
		add("above its first range the scale has a step that is no smaller. Read both off its label.")
	case b.Max < 0 || b.Max > gram.MaxMass || b.Max > 0 && b.Max <= b.Division:
		add("the most that the scale carries lies between its smallest step and 1000 kg. Read it off its label.")
	}
}

func checkSettings(s Settings) error {
	var ps formula.Problems
	add := func(field, format string, args ...any) {
		ps = append(ps, formula.Problem{Field: field, Detail: fmt.Sprintf(format, args...)})
	}
	if !(s.LimitDeltaE > 0 && s.LimitDeltaE <= 10) {
		add("limit_delta_e", "the limit lies above 0 and up to 10. Correct it; 0.3 is usual.")
	}
	if !(s.TolerancePercent > 0 && s.TolerancePercent <= 100) {
		add("tolerance_percent", "the tolerance lies above 0 and up to 100 per cent. Correct it; 20 is usual.")
	}
	if s.CupCost < 0 || s.MinuteRate < 0 {
		add("cup_cost", "a cost is not below 0. Correct it or leave it empty.")
	}
	checkBalance(&ps, "balance", s.Balance)
	switch s.Scale.Kind {
	case ScaleSerial, ScaleHID, ScalePretend:
		checkBalance(&ps, "scale", s.Scale.Balance)
	case ScaleTyped:
	default:
		add("scale", "%q is no kind of scale. Choose one of the list.", s.Scale.Kind)
	}
	for _, text := range []string{s.Scale.Path, s.Scale.Line, s.Scale.Stable, s.Scale.Moving, s.Scale.Ask, s.Scale.Unique} {
		if len(text) > 1024 {
			add("scale", "what describes the scale is longer than any port or line. Shorten it.")
			break
		}
	}
	if s.CheckWeight < 0 || s.CheckWeight > 100*gram.Kilogram {
		add("check_weight", "the known weight lies above 0 and up to 100 kg. Read it off the weight.")
	}
	names := map[string]bool{}
	for _, c := range s.Cups {
		if tidy(c.Name) == "" || names[nameKey(c.Name)] {
			add("cups", "every cup has a name of its own. Correct %q.", c.Name)
		}
		names[nameKey(c.Name)] = true
		if math.IsNaN(c.Brim) || c.Brim < 0 || c.Brim > 1e6 || c.Empty < 0 || c.Empty > gram.MaxMass || c.Cost < 0 {
			add("cups", "%s has an impossible size, weight or cost. Correct it.", c.Name)
		}
	}
	if !s.Unit.Known() {
		add("unit", "%q is no unit of an amount. Choose one of the list.", string(s.Unit))
	}
	checkText(&ps, "shop_name", s.ShopName, longestName)
	checkText(&ps, "currency", s.Currency, 10)
	return ps.Err()
}
