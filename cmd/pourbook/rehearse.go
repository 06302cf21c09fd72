package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"pourbook/internal/gram"
	"pourbook/internal/rehearse"
)

const rehearseAbout = `Pours simulated cups and compares ways of dealing with overshoots, on the same cups and with the same hands.

THE WAYS
  none                 pours what the plan says and corrects nothing
  rule_of_thumb        scales everything up at once, what is in already first, and again whenever it happens; above
                       1.5 times the batch it starts again
  experienced          lets pass what a toner's strength allows (2, 4, 8 %, never less than a division), scales up
                       once at the end, and starts again above 20 % growth
  exact_once           scales up once at the end, every toner exactly to its share
  pourbook             this program, in the formula's order: its planner, its rules for accepting a reading, its
                       choices, of which the recommended one is taken
  pourbook_safe_order  the same, in the order that risks least paint
  hindsight            the least paint that could have been used in the safe order, all pours known in advance: every
                       toner poured once as this hand pours it, the least top-up found by the same solver and poured
                       without error, or started again where that is best, or pourbook_safe_order where it used less
A mixer without a program starts a batch three times at most and knows a wrong toner when it is in: the rule of thumb,
the experienced one and exact_once then start again, none carries on.

THE MODEL
Everything about hands is common practice, from memory, without a source.
  cups    5 to 9 toners, the largest 40 to 75 %, the smallest 0.1 to 1 %, 120 g to 2.5 kg (both even on a logarithmic
          scale), listed largest first. Cups with a pour under 5 divisions, in which one division of any toner moves the
          colour beyond the limit, or in which the display rounds most of the limit away are counted as unweighable
          and not poured.
  toners  invented from the seed, none is a real one: plausible absorption and scattering, opaque Kubelka-Munk films,
          the larger ΔE00 under D65 and A, 10 degrees. Limit 0.3, of which the bench leaves unused what the display may
          round away in that cup, a quarter at least.
  hands   too much as a rule: 0 to 0.2 g on pours up to 20 g, 0.2 to 1 g from 100 g up; then the rest of a drop, of
          0.02 to 0.06 g (thin) or 0.05 to 0.15 g (paste). A slip in one pour of 30 (skilled) or 12 (apprentice):
          lognormal, median 0.6 g, 95th percentile 4 g, whatever the target. A wrong toner in one pour of 400. "sure"
          never errs. The n-th pour of a toner into a cup errs alike in all ways.
  cost    extra paint is all that was poured, what was thrown away too, less what was wanted. Every pour counts, after
          starting again as well; the splash of a planned split of the base does not. The ways are chosen by grams;
          the money shown takes 40 to 120 a litre of toner and 0.40 a new cup.
  left out: lifting out (nobody does), cups too small, flake, lost readings, drying.
ΔE00 is of what is really in the cup, by the toners' real colours. With --wrong the shop's colour data are off: by so
many per cent in strength, and in K and S along the spectrum, one standard deviation each.`

// rehearsed is what --json prints.
type rehearsed struct {
	Policies    []policy `json:"policies"`
	Unweighable int      `json:"unweighable_cups"`
	Seed        uint64   `json:"seed"`
	Division    float64  `json:"division_grams"`
	Hand        string   `json:"hand"`
	Wrong       float64  `json:"colour_data_off_percent"`
}

type policy struct {
	Name  string `json:"name"`
	Extra struct {
		Mean          float64 `json:"mean"`
		P95           float64 `json:"p95"`
		Worst         float64 `json:"worst"`
		StandardError float64 `json:"standard_error"`
	} `json:"extra_paint_percent"`
	DeltaE  deltaE  `json:"delta_e"`
	Display deltaE  `json:"delta_e_by_display"`
	Pours   float64 `json:"pours_per_component"`
	Money   float64 `json:"money_per_cup"`
	Cups    int     `json:"cups"`
}

type deltaE struct {
	Mean  float64 `json:"mean"`
	P95   float64 `json:"p95"`
	Worst float64 `json:"worst"`
}

func runRehearse(ctx context.Context, args []string, _ io.Reader, out io.Writer) error {
	flags := newFlags("rehearse", rehearseAbout, out)
	cups := flags.Int("cups", 1000, "cups to pour")
	seed := flags.Uint64("seed", 1, "of toners, cups and hands")
	division := flags.Float64("division", 0.1, "smallest step of the scale's display, grams")
	handName := flags.String("hand", "skilled", "who pours: skilled, apprentice or sure")
	wrong := flags.Float64("wrong", 0, "by how many per cent the shop's colour data are off; without --json 10 is shown too")
	asJSON := flags.Bool("json", false, "print one JSON object instead of tables")
	if err := parse(flags, args); err != nil {
		return err
	}
	if flags.NArg() > 0 {
		return usageError{fmt.Errorf("pourbook rehearse: %q is one word too many. Say: pourbook rehearse -h", flags.Arg(0))}
	}
	hand, err := rehearse.HandNamed(*handName)
	if err != nil {
		return usageError{fmt.Errorf("pourbook rehearse: %w", err)}
	}
	step, err := gram.FromGrams(*division)
	if err != nil {
		return usageError{errors.New("pourbook rehearse: the scale's smallest step must be a number of grams, such as 0.1")}
	}
	s := rehearse.Setting{Cups: *cups, Seed: *seed, Division: step, Hand: hand, Wrong: *wrong / 100}
	if err := s.Check(); err != nil {
		return usageError{fmt.Errorf("pourbook rehearse: %w", err)}
	}
	still := func(int) error { return ctx.Err() }
	report, err := rehearse.Run(s, still)
	if err != nil {
		return err
	}
	if *asJSON {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		return encoder.Encode(asRehearsed(report))
	}
	if _, err := io.WriteString(out, rehearsalText(report)); err != nil || *wrong != 0 {
		return err
	}
	s.Wrong = 0.1
	if report, err = rehearse.Run(s, still); err != nil {
		return err
	}
	_, err = io.WriteString(out, "\n"+rehearsalText(report))
	return err
}

func asRehearsed(r rehearse.Report) rehearsed {
	out := rehearsed{
		Unweighable: r.Unweighable, Seed: r.Setting.Seed, Division: r.Setting.Division.Grams(), Hand: r.Setting.Hand.Name, Wrong: 100 * r.Setting.Wrong,
	}
	for _, x := range r.Results {
		p := policy{Name: x.Name, Pours: x.Pours, Money: x.Money / 100, Cups: x.Cups}
		p.Extra.Mean, p.Extra.P95, p.Extra.Worst, p.Extra.StandardError = x.Extra.Mean, x.Extra.P95, x.Extra.Worst, x.Extra.Error
		p.DeltaE = deltaE{x.Off.Mean, x.Off.P95, x.Off.Worst}
		p.Display = deltaE{x.Seen.Mean, x.Seen.P95, x.Seen.Worst}
		out.Policies = append(out.Policies, p)
	}
	return out
}

// rehearsalText is the table, the distribution of extra paint and the chart.
func rehearsalText(r rehearse.Report) string {
	var b strings.Builder
	s := r.Setting
	data := "colour data as the toners are"
	if s.Wrong > 0 {
		data = fmt.Sprintf("colour data %g %% off, judged by the toners as they are", 100*s.Wrong)
	}
	fmt.Fprintf(&b, "%d cups, %s hand, scale %g g, seed %d, %s.\n%d more could not be weighed on this scale.\n\n", s.Cups, s.Hand.Name, s.Division.Grams(), s.Seed, data, r.Unweighable)
	fmt.Fprintf(&b, "%-20s %31s   %20s   %9s  %8s\n", "", "extra paint, % of the cup", "ΔE00 to the formula", "pours per", "money")
	fmt.Fprintf(&b, "%-20s %15s %7s %7s   %6s %6s %6s   %9s  %8s\n", "", "mean", "95 %", "worst", "mean", "95 %", "worst", "component", "a cup")
	for _, x := range r.Results {
		fmt.Fprintf(&b, "%-20s %7.2f ± %5.2f %7.2f %7.1f   %6.3f %6.3f %6.3f   %9.3f  %8.2f\n", x.Name,
			x.Extra.Mean, x.Extra.Error, x.Extra.P95, x.Extra.Worst, x.Off.Mean, x.Off.P95, x.Off.Worst, x.Pours, x.Money/100)
	}
	fmt.Fprintf(&b, "\n%-20s", "% of cups, extra %")
	for _, e := range rehearse.Edges {
		fmt.Fprintf(&b, " %6s", fmt.Sprintf("< %g", e))
	}
	fmt.Fprintf(&b, " %6s\n", "more")
	for _, x := range r.Results {
		fmt.Fprintf(&b, "%-20s", x.Name)
		for _, n := range x.Spans {
			fmt.Fprintf(&b, " %6.1f", 100*float64(n)/float64(x.Cups))
		}
		b.WriteByte('\n')
	}
	b.WriteString("\nextra paint, mean (#) and on to the 95th percentile (.), % of the cup\n")
	const width = 60
	most := 0.0
	for _, x := range r.Results {
		most = max(most, x.Extra.Mean, x.Extra.P95)
	}
	for _, x := range r.Results {
		mean, p95 := 0, 0
		if most > 0 {
			mean = int(width*max(x.Extra.Mean, 0)/most + 0.5)
			p95 = max(int(width*max(x.Extra.P95, 0)/most+0.5), mean)
		}
		bar := strings.Repeat("#", mean) + strings.Repeat(".", p95-mean)
		fmt.Fprintf(&b, "%-20s |%-*s %.2f, %.2f\n", x.Name, width, bar, x.Extra.Mean, x.Extra.P95)
	}
	b.WriteString(inProportion(r))
	return b.String()
}

// inProportion compares the safe order with the other ways.
func inProportion(r rehearse.Report) string {
	mean := map[string]float64{}
	for _, x := range r.Results {
		mean[x.Name] = x.Extra.Mean
	}
	safe := mean["pourbook_safe_order"]
	if safe <= 0 || mean["hindsight"] <= 0 || mean["none"] <= 0 {
		return "\npourbook_safe_order uses no extra paint.\n"
	}
	return fmt.Sprintf("\nOn average pourbook_safe_order uses %.2f times the extra paint of hindsight and %.2f times that of none;\nthe rule of thumb uses %.1f times as much as it does, the experienced mixer %.1f times, exact_once %.1f times.\n",
		safe/mean["hindsight"], safe/mean["none"], mean["rule_of_thumb"]/safe, mean["experienced"]/safe, mean["exact_once"]/safe)
}
