package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/people"
	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/static"
	"pourbook/web/page"
)

// Scales opens the scales of this machine for the set-up page. It is nil where only one scale makes sense, as in a demo.
type Scales interface {
	Fixed() bool                                                     // the scale was named when the program was started
	Ports() []string                                                 // serial ports that are plugged in
	USB() ([]USBScale, error)                                        // USB scales that are plugged in
	Check(store.ScaleSetup) error                                    // what is wrong with a set-up, opening nothing
	Understand(setup store.ScaleSetup, line string) (string, error)  // what a line means to it
	Listen(context.Context, store.ScaleSetup) ([]bench.Heard, error) // what a scale sends that is not in use yet
	Use(setup store.ScaleSetup, typed gram.Balance) error            // goes over to it
}

// USBScale is a USB scale that is plugged in.
type USBScale struct {
	Vendor, Product uint16
	Unique, Title   string
	Problem         string // why it cannot be read
}

func (u USBScale) value() string { return fmt.Sprintf("%04x:%04x:%s", u.Vendor, u.Product, u.Unique) }

// scalePage shows what the scale sends, its checks, and how it is set up.
func (s *server) scalePage(w http.ResponseWriter, r *http.Request) error {
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	v, err := s.scaleView(r, settings)
	if err != nil {
		return err
	}
	switch r.FormValue("saved") {
	case "1":
		v.Saved = "Saved."
	case "check":
		v.Saved = "Logged."
	}
	return render(w, r, http.StatusOK, page.ScalePage(v))
}

// scaleNow is what the page asks for twice a second.
func (s *server) scaleNow(w http.ResponseWriter, _ *http.Request) error {
	writeJSON(w, http.StatusOK, s.nowView())
	return nil
}

func (s *server) nowView() page.ScaleNow {
	heard, lost, why := s.Bench.Hearing()
	v := page.ScaleNow{Lines: []page.HeardLine{}}
	for _, h := range heard {
		v.Lines = append(v.Lines, page.HeardLine{Raw: h.Raw, Says: h.Says})
	}
	if len(heard) > 0 {
		v.Raw, v.Says = heard[0].Raw, heard[0].Says
		v.Age = fmt.Sprintf("%.1f s", max(0, s.Now().Sub(heard[0].At).Seconds()))
	}
	if lost {
		v.Lost = "Nothing arrives from the scale. Check its plug, its cable and its switch."
		if why != "" {
			v.Lost = sentence(why)
		}
	}
	return v
}

// sentence makes a whole sentence of an error's words.
func sentence(why string) string {
	if why == "" {
		return ""
	}
	return strings.ToUpper(why[:1]) + strings.TrimRight(why[1:], ".") + "."
}

func (s *server) scaleView(r *http.Request, set store.Settings) (page.ScaleSet, error) {
	c := s.chrome(r, "The scale", page.RoomShop)
	c.Scripts = append(c.Scripts, static.URL("js/scale.js"))
	role := visitorOf(r).Role
	v := page.ScaleSet{
		Chrome: c, Name: s.Bench.Called(), Now: s.nowView(), Typed: s.typed(), Pretend: s.Hand != nil,
		MayCheck: role.May(people.Mixer), MaySet: s.Scales != nil && role.May(people.Owner), Fixed: s.Scales != nil && s.Scales.Fixed(),
		Weight: page.Input{Name: "known", Label: "The weight weighs", Unit: "g", Numeric: true},
	}
	if set.CheckWeight > 0 {
		v.Weight.Value = trimFloat(set.CheckWeight.Grams())
	}
	if empty, ok := s.Bench.Emptied(); ok {
		v.Emptied = empty.Show(s.Bench.Balance().At(empty))
	}
	checks, err := s.Store.ScaleChecks(r.Context(), 30)
	if err != nil {
		return v, err
	}
	for _, check := range checks {
		v.Checked = append(v.Checked, s.checkRow(check))
	}
	v.Due = s.checkDue(r.Context())
	if v.MaySet {
		s.scaleFields(&v, set.Scale)
	}
	return v, nil
}

func (s *server) checkRow(c store.ScaleCheck) page.CheckRow {
	row := page.CheckRow{
		At: c.At.In(s.Now().Location()).Format("2 Jan 2006, 15:04"), By: c.By, Scale: c.Scale, Known: trimFloat(c.Known.Grams()),
		Read: (c.Loaded - c.Empty).Show(c.Division), Off: signedMass(c.Off(), c.Division), Word: "good",
	}
	if !c.Passed {
		row.Word = "off: have it looked at"
	}
	return row
}

func signedMass(m, d gram.Mass) string {
	switch {
	case m > 0:
		return "+" + m.Show(d)
	case m < 0:
		return "−" + m.Abs().Show(d)
	}
	return m.Show(d)
}

// checkDue says that today's check is missing, or that it failed; "" where neither is so. A shop that has a pretend scale
// is never asked, and one that types its readings only once it has begun to check.
func (s *server) checkDue(ctx context.Context) string {
	last, err := s.Store.ScaleCheckBefore(ctx, s.Now())
	never := errors.Is(err, store.ErrNotFound)
	switch {
	case s.Hand != nil && never, s.typed() && never, err != nil && !never:
		return ""
	case never:
		return "The scale was never checked with a known weight."
	case !sameDay(last.At, s.Now()):
		return "The scale was not checked with a known weight today."
	case !last.Passed:
		return "The scale was " + signedMass(last.Off(), last.Division) + " g off at its last check. Have it looked at before you pour."
	}
	return ""
}

func sameDay(a, b time.Time) bool {
	a = a.In(b.Location())
	return a.Year() == b.Year() && a.YearDay() == b.YearDay()
}

// checkedWords says in a batch's record how the scale had been checked when it was begun.
func (s *server) checkedWords(ctx context.Context, state pour.State) (string, error) {
	c, err := s.Store.ScaleCheckBefore(ctx, state.StartedAt)
	switch {
	case errors.Is(err, store.ErrNotFound):
		return "The scale had not been checked with a known weight.", nil
	case err != nil:
		return "", err
	}
	here := s.Now().Location()
	when := c.At.In(here).Format("2 January 2006, 15:04")
	word := "good"
	if !c.Passed {
		word = "off"
	}
	said := fmt.Sprintf("Scale checked %s: %s g read as %s g, %s.", when, trimFloat(c.Known.Grams()), (c.Loaded - c.Empty).Show(c.Division), word)
	if !sameDay(c.At, state.StartedAt.In(here)) {
		said = "Scale not checked that day. " + said
	}
	return said, nil
}

// scaleCheck takes one half of a check, or, where readings are typed, all of it.
func (s *server) scaleCheck(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return err
	}
	if r.PostForm.Get("do") == "empty" {
		if _, err := s.Bench.CheckEmpty(); err != nil {
			return badRequest("%s", sentence(err.Error()))
		}
		http.Redirect(w, r, "/scale#check", http.StatusSeeOther)
		return nil
	}
	known, err := formula.ParseMass(r.PostForm.Get("known"))
	if err != nil {
		return badRequest("The weight: %s", err)
	}
	check := store.ScaleCheck{At: s.Now(), By: visitorOf(r).Person, Scale: s.Bench.Called(), Known: known}
	if s.typed() {
		check.Division = s.Bench.Balance().Division
		if check.Empty, err = formula.ParseMass(r.PostForm.Get("empty")); err == nil {
			check.Loaded, err = formula.ParseMass(r.PostForm.Get("loaded"))
		}
	} else {
		check.Empty, check.Loaded, check.Division, err = s.Bench.CheckLoaded()
	}
	if err != nil {
		return badRequest("%s", sentence(err.Error()))
	}
	if _, err := s.Store.SaveScaleCheck(r.Context(), check); err != nil {
		return badRequest("%s", sentence(err.Error()))
	}
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	if settings.CheckWeight != known {
		settings.CheckWeight = known
		if err := s.Store.SaveSettings(r.Context(), settings); err != nil {
			return err
		}
	}
	http.Redirect(w, r, "/scale?saved=check#check", http.StatusSeeOther)
	return nil
}

// scaleSave tries a set-up, listens to its port, or keeps it and goes over to it.
func (s *server) scaleSave(w http.ResponseWriter, r *http.Request) error {
	if s.Scales == nil {
		return notFound("set-up of a scale")
	}
	if err := r.ParseForm(); err != nil {
		return err
	}
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return err
	}
	form := shopForm{values: r.PostForm, problems: map[string]string{}}
	setup := form.scale()
	v := func() (page.ScaleSet, error) {
		settings.Scale = setup
		view, err := s.scaleView(r, settings)
		form.keepScale(&view)
		return view, err
	}
	problem := firstOfScale(form.problems)
	if problem == "" {
		if err := s.Scales.Check(setup); err != nil {
			problem = sentence(err.Error())
		}
	}
	view, err := v()
	if err != nil {
		return err
	}
	do := r.PostForm.Get("do")
	switch {
	case problem != "":
		view.Problem = problem
	case do == "try":
		if said, err := s.Scales.Understand(setup, form.get("sample")); err != nil {
			view.Tried = sentence(err.Error())
		} else {
			view.Tried = said
		}
		return render(w, r, http.StatusOK, page.ScalePage(view))
	case do == "listen":
		heard, err := s.Scales.Listen(r.Context(), setup)
		if err != nil {
			view.Tried = sentence(err.Error())
		} else if len(heard) == 0 {
			view.Tried = "Nothing came. Check cable and speed, and whether the scale sends by itself or waits to be asked."
		}
		for _, h := range heard {
			view.Lines = append(view.Lines, page.HeardLine{Raw: h.Raw, Says: h.Says})
		}
		return render(w, r, http.StatusOK, page.ScalePage(view))
	default:
		settings.Scale = setup
		if err := s.Store.SaveSettings(r.Context(), settings); err != nil {
			view.Problem = sentence(err.Error())
			break
		}
		if err := s.Scales.Use(setup, settings.Balance); err != nil {
			return err
		}
		http.Redirect(w, r, "/scale?saved=1", http.StatusSeeOther)
		return nil
	}
	return render(w, r, http.StatusUnprocessableEntity, page.ScalePage(view))
}

func firstOfScale(problems map[string]string) string {
	for _, name := range []string{"baud", "decimals", "every", "usb", "division", "max", "high_from", "high_division"} {
		if p := problems[name]; p != "" {
			return sentence(p)
		}
	}
	return ""
}

// typed reports whether every reading is typed.
func (s *server) typed() bool { return s.Typed || s.Bench.Typed() }

// scale reads the set-up form.
func (f shopForm) scale() store.ScaleSetup {
	set := store.ScaleSetup{Kind: f.get("kind")}
	if set.Kind == store.ScaleTyped {
		return set
	}
	set.Balance = gram.Balance{Division: f.mass("division", 10*gram.Gram), Max: f.mass("max", 100*gram.Kilogram)}
	if f.get("high_from") != "" {
		set.Balance.HighFrom, set.Balance.HighDivision = f.mass("high_from", 100*gram.Kilogram), f.mass("high_division", 10*gram.Gram)
	}
	if set.Kind == store.ScaleHID {
		if n, err := fmt.Sscanf(f.get("usb"), "%04x:%04x:%s", &set.Vendor, &set.Product, &set.Unique); n < 2 {
			f.problems["usb"] = "choose the USB scale. Plug it in if it is not in the list"
			_ = err
		}
		return set
	}
	set.Path, set.Parity, set.Family, set.Unit = f.get("path"), f.get("parity"), f.get("family"), f.get("unit")
	set.Baud, set.DataBits = f.whole("baud", 9600), f.whole("bits", 8)
	if set.Family == familyOwn {
		set.Line, set.Stable, set.Moving, set.Decimals = f.get("line"), f.get("stable"), f.get("moving"), f.whole("decimals", 0)
	}
	set.Ask = bytesOf(f.get("ask"))
	set.Every = time.Duration(f.whole("every", 0)) * time.Millisecond
	return set
}

func (f shopForm) whole(name string, usual int) int {
	if f.get(name) == "" {
		return usual
	}
	n, err := strconv.Atoi(f.get(name))
	if err != nil || n < 0 || n > 10_000_000 {
		f.problems[name] = "enter a whole number, not " + f.get(name)
	}
	return n
}

// bytesOf turns \r, \n and \xNN into the bytes that they stand for, shownAs the other way.
func bytesOf(text string) string {
	if said, err := strconv.Unquote(`"` + strings.ReplaceAll(text, `"`, `\"`) + `"`); err == nil {
		return said
	}
	return text
}

func shownAs(text string) string {
	quoted := strconv.QuoteToASCII(text)
	return strings.ReplaceAll(quoted[1:len(quoted)-1], `\"`, `"`)
}

const familyOwn = "own"

// families are the forms of line, as the set-up page offers them.
var families = []page.PickOption{
	{Value: "header", Label: "ST,GS,+  123.4 g  (ST at rest, US moving)"},
	{Value: "columns", Label: "+   123.56 g  (fixed places, no unit while it moves)"},
	{Value: "question mark", Label: "   12.73 g    ?  (a question mark while it moves)"},
	{Value: "two words", Label: "S S     123.45 g  (S at rest, D moving)"},
	{Value: "SMA", Label: " 1GM     7.650kg  (SMA SCP-0499)"},
	{Value: familyOwn, Label: "another one, which you describe"},
}

func chosen(options []page.PickOption, value string) []page.PickOption {
	var all []page.PickOption
	for _, o := range options {
		o.Chosen = o.Value == value
		all = append(all, o)
	}
	return all
}

func (s *server) scaleFields(v *page.ScaleSet, set store.ScaleSetup) {
	number := func(name, label string, n int, usual string) page.Input {
		in := page.Input{Name: name, Label: label, Numeric: true, Value: usual}
		if n != 0 {
			in.Value = strconv.Itoa(n)
		}
		return in
	}
	mass := func(name, label string, m gram.Mass) page.Input {
		in := page.Input{Name: name, Label: label, Numeric: true, Unit: "g"}
		if m > 0 {
			in.Value = trimFloat(m.Grams())
		}
		return in
	}
	v.Kinds = chosen([]page.PickOption{
		{Value: store.ScaleTyped, Label: "Not at all: readings are typed"},
		{Value: store.ScaleSerial, Label: "Serial cable, or USB as a serial port"},
		{Value: store.ScaleHID, Label: "USB, by itself"},
	}, set.Kind)
	v.Path = page.Input{Name: "path", Label: "Port", Value: set.Path, List: "ports", Hint: "such as /dev/serial/by-id/… or COM3"}
	v.Ports = s.Scales.Ports()
	v.Baud = number("baud", "Speed, baud", set.Baud, "9600")
	v.Bits = page.Pick{Name: "bits", Label: "Data bits", Options: chosen([]page.PickOption{{Value: "8", Label: "8"}, {Value: "7", Label: "7"}}, strconv.Itoa(set.DataBits))}
	v.Parity = page.Pick{Name: "parity", Label: "Parity", Options: chosen([]page.PickOption{{Value: "none", Label: "none"}, {Value: "even", Label: "even"}, {Value: "odd", Label: "odd"}}, set.Parity)}
	v.Family = page.Pick{Name: "family", Label: "What a line looks like", Options: chosen(families, set.Family)}
	v.Line = page.Input{Name: "line", Label: "Your own form", Value: set.Line, Hint: "The line as it comes, with {mass} for the number, {unit} for its unit, {state} for at rest or moving, {any} for what does not matter"}
	v.Stable = page.Input{Name: "stable", Label: "{state} at rest", Value: set.Stable}
	v.Moving = page.Input{Name: "moving", Label: "{state} moving", Value: set.Moving}
	v.Decimals = number("decimals", "Decimals of a number without a point", set.Decimals, "")
	v.Unit = page.Input{Name: "unit", Label: "Unit where the line names none", Value: set.Unit}
	v.Ask = page.Input{Name: "ask", Label: "Ask for a reading with", Value: shownAs(set.Ask), Hint: `empty where it sends by itself; such as SIR\r\n`}
	v.Every = number("every", "Ask every, ms", int(set.Every.Milliseconds()), "")
	v.Sample = page.Input{Name: "sample", Label: "A line to try it on", Value: v.Now.Raw, Hint: "what the scale sends now, or one from its manual"}
	v.USB = page.Pick{Name: "usb", Label: "USB scale"}
	mine := USBScale{Vendor: set.Vendor, Product: set.Product, Unique: set.Unique}
	found, err := s.Scales.USB()
	if err != nil {
		v.USBProblem = sentence(err.Error())
	}
	seen := false
	for _, u := range found {
		if u.Problem != "" {
			v.USBProblem = u.Title + ": " + sentence(u.Problem)
			continue
		}
		here := u.value() == mine.value()
		seen = seen || here
		v.USB.Options = append(v.USB.Options, page.PickOption{Value: u.value(), Label: u.Title, Chosen: here})
	}
	if set.Kind == store.ScaleHID && !seen {
		v.USB.Options = append(v.USB.Options, page.PickOption{Value: mine.value(), Label: fmt.Sprintf("%04x:%04x, not plugged in", mine.Vendor, mine.Product), Chosen: true})
	}
	if len(v.USB.Options) == 0 {
		v.USB.Hint = "None is plugged in."
	}
	b := set.Balance
	v.Division, v.Max = mass("division", "Shows steps of", b.Division), mass("max", "Carries at most", b.Max)
	v.HighFrom, v.HighDivided = mass("high_from", "Second range from", b.HighFrom), mass("high_division", "with steps of", b.HighDivision)
}

// keepScale puts what was typed back into the form.
func (f shopForm) keepScale(v *page.ScaleSet) {
	for _, in := range []*page.Input{&v.Path, &v.Baud, &v.Unit, &v.Line, &v.Stable, &v.Moving, &v.Decimals, &v.Ask, &v.Every, &v.Sample, &v.Division, &v.Max, &v.HighFrom, &v.HighDivided} {
		if _, sent := f.values[in.Name]; sent {
			in.Value = f.get(in.Name)
		}
		if p := f.problems[in.Name]; p != "" {
			in.Problem = sentence(p)
		}
	}
	if p := f.problems["usb"]; p != "" {
		v.USB.Problem = sentence(p)
	}
	v.Family.Options = chosen(v.Family.Options, f.get("family"))
	v.Bits.Options, v.Parity.Options = chosen(v.Bits.Options, f.get("bits")), chosen(v.Parity.Options, f.get("parity"))
}
