package scale

import (
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
)

// table reads a file of testdata/scales without its heading. Where its rows come from is said in the file itself.
func table(t testing.TB, name string, rows int) [][]string {
	f, err := os.Open("../../testdata/scales/" + name)
	require.NoError(t, err)
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, all, rows+1, "%s has lost or gained rows", name)
	return all[1:]
}

var families = []struct {
	format Format
	file   string
	rows   int
}{
	{Format{Family: Header}, "serial_st_us.csv", 21},
	{Format{Family: Columns, Unit: "g"}, "serial_fixed16.csv", 18},
	{Format{Family: QuestionMark}, "serial_qmark.csv", 15},
	{Format{Family: TwoWord}, "serial_ss_command.csv", 21},
	{Format{Family: SMA}, "serial_sma.csv", 16},
}

// heard puts bytes through a parser as a device would send them.
func heard(p *Parser, piece []byte) (got []Reading, errs []error) {
	new(lines).add(piece, func(line []byte) {
		r, err := p.Line(line)
		got, errs = append(got, r), append(errs, err)
	})
	return got, errs
}

func TestLinesOfTheFamilies(t *testing.T) {
	for _, f := range families {
		for _, row := range table(t, f.file, f.rows) {
			t.Run(row[0], func(t *testing.T) {
				p, err := NewParser(f.format)
				require.NoError(t, err)
				input, err := hex.DecodeString(row[2])
				require.NoError(t, err)
				got, errs := heard(p, input)
				expect(t, row[3], row[4], row[5], row[6], got, errs)
			})
		}
	}
}

// expect checks a single outcome against the columns expect_mg, stable, status and unit of a table.
func expect(t *testing.T, mg, stable, status, unit string, got []Reading, errs []error) {
	if status == "incomplete" {
		assert.Empty(t, got)
		return
	}
	require.Len(t, got, 1)
	r, err := got[0], errs[0]
	switch status {
	case "ok", "zero", "in_motion":
		require.NoError(t, err)
		want, err := strconv.ParseInt(mg, 10, 64)
		require.NoError(t, err)
		assert.Equal(t, gram.Mass(want), r.Mass)
		assert.Equal(t, stable == "true", r.Stable)
		switch unit {
		case "mg", "g", "kg", "": // a missing unit is the one that was set up
			assert.Equal(t, OK, r.Status)
		default:
			assert.Equal(t, WrongUnit, r.Status)
		}
		return
	case "overload":
		assert.Equal(t, Overload, r.Status)
	case "underload", "under_zero":
		assert.Equal(t, Underload, r.Status)
	case "fault", "needs_calibration", "needs_rezero", "error":
		assert.Equal(t, Fault, r.Status)
	case "unit_unknown", "not_mass":
		assert.Equal(t, WrongUnit, r.Status)
	case "busy", "ack", "tare_reply", "not_live", "ignore":
		require.ErrorIs(t, err, ErrNotAReading)
		return
	case "malformed":
		require.ErrorIs(t, err, ErrMalformed)
		return
	default:
		t.Fatalf("the table has a new word: %q", status)
	}
	require.NoError(t, err)
	assert.Zero(t, r.Mass, "a mass that must not be shown")
	assert.False(t, r.Stable)
}

func TestStreams(t *testing.T) {
	escapes := strings.NewReplacer(`\r`, "\r", `\n`, "\n")
	for _, row := range table(t, "serial_streams.csv", 15) {
		t.Run(row[3], func(t *testing.T) {
			formats := map[string][]Format{
				"A": {families[0].format}, "B": {families[1].format}, "C": {families[2].format},
				"D": {families[3].format}, "E": {families[4].format},
			}
			// F is no family: every one of them has to refuse it.
			for _, f := range families {
				formats["F"] = append(formats["F"], f.format)
			}
			for _, format := range formats[row[0]] {
				p, err := NewParser(format)
				require.NoError(t, err)
				var l lines
				var got []string
				for _, piece := range strings.Split(row[1], "|") {
					piece = escapes.Replace(piece)
					for i := strings.Index(piece, `\x`); i >= 0; i = strings.Index(piece, `\x`) {
						b, err := hex.DecodeString(piece[i+2 : i+4])
						require.NoError(t, err)
						piece = piece[:i] + string(b) + piece[i+4:]
					}
					l.add([]byte(piece), func(line []byte) {
						r, err := p.Line(line)
						got = append(got, outcome(r, err))
					})
				}
				assert.Equal(t, row[2], strings.Join(got, ";"), "%s", format.Family)
			}
		})
	}
}

// outcome writes what came of a line in the words of serial_streams.csv.
func outcome(r Reading, err error) string {
	switch {
	case errors.Is(err, ErrMalformed):
		return "malformed"
	case errors.Is(err, ErrNotAReading):
		return "ack"
	case r.Status == Overload:
		return "overload"
	}
	s := fmt.Sprintf("%d moving", int64(r.Mass))
	if r.Stable {
		s = fmt.Sprintf("%d stable", int64(r.Mass))
	}
	if r.Status == WrongUnit {
		s += " unit-changed"
	}
	return s
}

func TestColumnsNeverGuessesItsUnit(t *testing.T) {
	p, err := NewParser(Format{Family: Columns})
	require.NoError(t, err)
	moving, named := []byte("+   123.56    "), []byte("+   123.56 kg ")
	r, err := p.Line(moving)
	require.NoError(t, err)
	assert.Equal(t, WrongUnit, r.Status, "no unit so far")
	assert.Zero(t, r.Mass)
	_, err = p.Line(named)
	require.NoError(t, err)
	r, err = p.Line(moving)
	require.NoError(t, err)
	assert.Equal(t, OK, r.Status)
	assert.Equal(t, gram.Mass(123_560_000), r.Mass, "carried over from the line before")
}

func TestLongLinesAreDropped(t *testing.T) {
	var l lines
	var got []string
	note := func(line []byte) { got = append(got, string(line)) }
	l.add([]byte(strings.Repeat("x", longest)), note)
	l.add([]byte("\r"+strings.Repeat("y", longest+1)), note)
	l.add([]byte(strings.Repeat("z", 1000)), note)
	l.add([]byte("\nST\r\n"), note)
	assert.Equal(t, []string{strings.Repeat("x", longest), "", "ST"}, got)
}

func TestParserRefuses(t *testing.T) {
	for why, f := range map[string]Format{
		"choose one from the list":      {Family: "guess"},
		"choose g or kg":                {Family: Columns, Unit: "pcs"},
		"what unit the number is in":    {Family: Own, Own: Pattern{Line: "{mass}"}},
		"put {mass} in its place":       {Family: Own, Own: Pattern{Line: "{unit}"}},
		"use {mass}, {unit}, {state}":   {Family: Own, Own: Pattern{Line: "{mass} {weight}"}},
		"name it once":                  {Family: Own, Own: Pattern{Line: "{mass} {mass}"}},
		"give two that differ":          {Family: Own, Unit: "g", Own: Pattern{Line: "{mass}{state}", Stable: "S", Moving: "S"}},
		"write it as \\xNN":             {Family: Own, Unit: "g", Own: Pattern{Line: "{mass} µ"}},
		"plain letters, digits":         {Family: Own, Unit: "g", Own: Pattern{Line: "{mass}{state}", Stable: "\xff"}},
		"give 0 to 9":                   {Family: Own, Unit: "g", Own: Pattern{Line: "{mass}", Decimals: 10}},
		"that a scale's line may have:": {Family: Own, Unit: "g", Own: Pattern{Line: strings.Repeat("{mass}", 100)}},
	} {
		_, err := NewParser(f)
		assert.ErrorContains(t, err, why)
	}
}

func TestOwnLines(t *testing.T) {
	for _, c := range []struct {
		name, line string
		format     Format
		want       Reading
	}{
		// The two lines that belong to no family in serial_streams.csv, once their owner has described them.
		{"framed, no unit", "\x02A   0.165", Format{Unit: "kg", Own: Pattern{Line: `\x02A{mass}`}}, Reading{Status: OK, Mass: 165_000}},
		{"digits alone", "$000125", Format{Unit: "g", Own: Pattern{Line: "${mass}", Decimals: 1}}, Reading{Status: OK, Mass: 12_500}},
		{"state behind", "W=-  12,50 g *", Format{Own: Pattern{Line: "W={mass} {unit}{state}", Stable: " *", Moving: ""}}, Reading{Status: OK, Mass: -12_500, Stable: true}},
		{"moving", "W=   12,50 g", Format{Own: Pattern{Line: "W={mass} {unit}{state}", Stable: " *", Moving: ""}}, Reading{Status: OK, Mass: 12_500}},
		{"high bytes, clock", "\xb2 12:04  250.0 oz", Format{Own: Pattern{Line: `\xB2 {any} {mass} {unit}`}}, Reading{Status: WrongUnit, Mass: 7_087_381}},
		{"signs of the pattern language", "a.b(1) 7", Format{Unit: "g", Own: Pattern{Line: "a.b(1) {mass}"}}, Reading{Status: OK, Mass: 7_000}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.format.Family = Own
			p, err := NewParser(c.format)
			require.NoError(t, err)
			r, err := p.Line([]byte(c.line))
			require.NoError(t, err)
			c.want.Raw = r.Raw
			assert.Equal(t, c.want, r)
			_, err = p.Line([]byte(c.line + "7x"))
			assert.ErrorIs(t, err, ErrMalformed)
			_, err = p.Line([]byte("x" + c.line))
			assert.ErrorIs(t, err, ErrMalformed)
		})
	}
}

// Definitions: 1 lb = 453.59237 g exactly, 1 oz = 1/16 lb, 1 lb = 7000 grains, 1 troy ounce = 480 grains = 20
// pennyweight, 1 carat = 0.2 g. Worked out by hand from these.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		unit     string
		count    int64
		exponent int
		want     gram.Mass
	}{
		{"lb", 1, 0, 453_592},
		{"lb", 16, 0, 7_257_478},
		{"oz", 16, 0, 453_592},
		{"GN", 7000, 0, 453_592},
		{"ozt", 1, 1, 311_035},
		{"dwt", 20, 0, 31_103},
		{"ct", 5, 0, 1000},
		{"Kg", -15, -1, -1_500_000},
		{"g", 5, -4, 0},
		{"g", 15, -4, 2},
		{"g", 25, -4, 2},
		{"g", -25, -4, -2},
		{"g", -35, -4, -4},
		{"g", 50001, -8, 1},
	} {
		got, ok := unitNamed(c.unit).mass(c.count, c.exponent)
		assert.True(t, ok)
		assert.Equal(t, c.want, got, "%d e%d %s", c.count, c.exponent, c.unit)
	}
	for _, c := range []struct {
		unit     string
		count    int64
		exponent int
	}{{"tael", 1, 0}, {"pcs", 1, 0}, {"kg", 1, 127}, {"g", 1, -10}, {"kg", 1001, 0}, {"kg", -1001, 0}, {"kg", 1 << 62, 9}} {
		_, ok := unitNamed(c.unit).mass(c.count, c.exponent)
		assert.False(t, ok, "%d e%d %s", c.count, c.exponent, c.unit)
	}
}

// Whatever arrives, cut wherever it may be: no panic, no mass out of bounds, no stable mass under a wrong state,
// and the same readings however it was cut.
func FuzzLine(f *testing.F) {
	for i, family := range families {
		for _, row := range table(f, family.file, family.rows) {
			input, err := hex.DecodeString(row[2])
			require.NoError(f, err)
			f.Add(byte(i), byte(len(input)/2), input)
		}
	}
	f.Fuzz(func(t *testing.T, family, cut byte, input []byte) {
		format := families[int(family)%len(families)].format
		p, err := NewParser(format)
		require.NoError(t, err)
		whole, _ := heard(p, input)
		for _, r := range whole {
			if r.Mass.Abs() > gram.MaxMass {
				t.Fatalf("%v", r.Mass)
			}
			if r.Status != OK && r.Status != WrongUnit && (r.Mass != 0 || r.Stable) {
				t.Fatalf("a mass while %v", r.Status)
			}
		}
		p, err = NewParser(format)
		require.NoError(t, err)
		var l lines
		var pieces []Reading
		at := min(int(cut), len(input))
		for _, piece := range [][]byte{input[:at], input[at:]} {
			l.add(piece, func(line []byte) {
				r, _ := p.Line(line)
				pieces = append(pieces, r)
			})
		}
		require.Equal(t, whole, pieces)
	})
}

// Whatever an owner types as a pattern is either refused in words or gives a parser that never panics and never
// makes a mass out of a line without its digits.
func FuzzPattern(f *testing.F) {
	f.Add(`\x02A{mass}`, "S", "D", 0, []byte("\x02A   0.165"))
	f.Add("W={mass} {unit}{state}", " *", "", 2, []byte("W=   12,50 g *"))
	f.Add(`\xB2 {any} {mass} {unit}`, "", "", 0, []byte("\xb2 12:04  250.0 oz"))
	f.Fuzz(func(t *testing.T, line, stable, moving string, decimals int, input []byte) {
		p, err := NewParser(Format{Family: Own, Unit: "g", Own: Pattern{line, stable, moving, decimals}})
		if err != nil {
			return
		}
		r, err := p.Line(input)
		if err == nil && r.Mass != 0 && !strings.ContainsAny(string(input), "123456789") {
			t.Fatalf("%v out of %q", r.Mass, input)
		}
		if err != nil && !errors.Is(err, ErrMalformed) && !errors.Is(err, ErrNotAReading) {
			t.Fatal(err)
		}
	})
}
