package formula_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
)

const tonerHeader = "name;code;system;kind;strength;density;price per litre;swatch;hazard;sheet;wet first;stocked;replacement;factor\n"

func readToners(t *testing.T, text string) formula.TonerPreview {
	t.Helper()
	p, err := formula.ReadTonersCSV(strings.NewReader(text), book.Toner)
	require.NoError(t, err)
	return p
}

func TestReadTonersCSV(t *testing.T) {
	p := readToners(t, tonerHeader+
		"Quiet red;Q1;Solvent base;Solid;strong;1,05;42,50;#a02030;Gloves.;Binder 3;no;yes;;\n"+
		"Old red;;Solvent base;solid;strong;;;;;;;no;Quiet red;1,05\n"+
		"White;;Solvent base;solid;weak;1,4;;;;;;;;\n")
	require.Empty(t, p.Problems)
	require.True(t, p.Ready())
	assert.Equal(t, []string{"UTF-8", "semicolon", "comma"}, []string{p.Encoding, p.Separator, p.Decimal})
	assert.Equal(t, formula.Toner{
		Name: "Quiet red", Code: "Q1", System: solvent, Kind: formula.Solid, Strength: formula.Strong, Density: 1.05,
		PerLitre: 4250, Swatch: "#a02030", Hazard: "Gloves.", SheetURL: "Binder 3", Stocked: true,
	}, p.Toners[0].Toner)
	assert.Equal(t, &formula.Replacement{By: "Quiet red", Factor: 1.05}, p.Toners[1].Toner.Replaced)
	assert.False(t, p.Toners[1].Toner.Stocked)
	assert.False(t, p.Toners[1].Known)
	assert.True(t, p.Toners[2].Known)
	assert.Equal(t, white.ID, p.Toners[2].Toner.ID)
	assert.True(t, p.Toners[2].Toner.Stocked)
	assert.Equal(t, []string{"White is on the shelf already and is changed to what the file says."}, p.Lines[3].Says)
}

func TestReadTonersCSVRefuses(t *testing.T) {
	for _, c := range []struct{ row, says string }{
		{";;Solvent base;solid;weak", "Line 2: the toner has no name."},
		{"Red;;;solid;weak", "Line 2: the toner has no paint system."},
		{"Red;;Solvent base;gas;weak", `Line 2: "gas" is no kind. Write solid, flake, pearl, binder, hardener or reducer.`},
		{"Red;;Solvent base;solid;", "Line 2: strength is empty. Write strong, medium or weak."},
		{"Red;;Solvent base;solid;weak;1050", "Line 2: a density of 1050 g/mL cannot be right."},
		{"Red;;Solvent base;solid;weak;NaN", `Line 2: "NaN" is not a number.`},
		{"Red;;Solvent base;solid;weak;-1", "Line 2: a density of -1 g/mL cannot be right."},
		{"Red;;Solvent base;solid;weak;;12,345", `Line 2: "12,345" can mean 12.345 or 12345.`},
		{"Red;;Solvent base;solid;weak;;12.345", `Line 2: "12.345" has more than two decimals.`},
		{"Red;;Solvent base;solid;weak;;-1", `Line 2: "-1" is below 0.`},
		{"Red;;Solvent base;solid;weak;;99999999999", "is more than a price can be."},
		{"Red;;Solvent base;solid;weak;;;red", `Line 2: "red" is no swatch. Write it like #a0b1c2`},
		{"Red;;Solvent base;solid;weak;;;;;;perhaps", `Line 2: "perhaps" is neither yes nor no.`},
		{"Red;;Solvent base;solid;weak;;;;;;;;Gone;1", `Line 2: the replacement "Gone" is no toner of Solvent base`},
		{"Red;;Solvent base;solid;weak;;;;;;;;Lake;1", `Line 2: the replacement "Lake" is no toner of Solvent base`},
		{"Red;;Solvent base;solid;weak;;;;;;;;Red;1", "Line 2: Red cannot replace itself."},
		{"Red;;Solvent base;solid;weak;;;;;;;;White;0", "Line 2: a factor of 0 cannot be right."},
		{"Red;;Solvent base;solid;weak;;;;;;;;;2", "Line 2: there is a factor, but no replacement."},
		{"Red;;Solvent base;solid;weak\nred;;solvent base;solid;weak", "Line 3: red is in the file on line 2 already."},
	} {
		p := readToners(t, tonerHeader+c.row+"\n")
		assert.False(t, p.Ready())
		assert.Contains(t, p.Problems.Error(), c.says)
	}
}

func TestWriteTonersCSVRefuses(t *testing.T) {
	bad := white
	bad.Density = math.NaN()
	var out bytes.Buffer
	assert.Contains(t, sentences(formula.WriteTonersCSV(&out, []formula.Toner{bad})), "Line 1: White cannot be exported. A density of NaN g/mL cannot be right.")
	assert.Contains(t, sentences(formula.WriteTonersCSV(&out, []formula.Toner{white, white})), "Line 2: White is in the export as number 1 already.")
	assert.Empty(t, out.Bytes())
}

func TestTonersThereAndBack(t *testing.T) {
	empty := func(formula.System, string) (formula.Toner, bool) { return formula.Toner{}, false }
	rapid.Check(t, func(t *rapid.T) {
		var toners []formula.Toner
		for i := range rapid.IntRange(1, 5).Draw(t, "toners") {
			toner := formula.Toner{
				Name: fmt.Sprintf("%s%d", cellText(1).Draw(t, "name"), i), Code: cellText(0).Draw(t, "code"), System: solvent,
				Kind: rapid.SampledFrom(formula.Kinds).Draw(t, "kind"), Strength: rapid.SampledFrom(formula.Strengths).Draw(t, "strength"),
				PerLitre: formula.Money(rapid.Int64Range(0, 1_000_000_000).Draw(t, "price")),
				Swatch:   rapid.SampledFrom([]string{"", "#00ff7F"}).Draw(t, "swatch"),
				Hazard:   strings.TrimSpace(cellText(0).Draw(t, "hazard") + "\n" + cellText(0).Draw(t, "second line")),
				SheetURL: cellText(0).Draw(t, "sheet"), WetFirst: rapid.Bool().Draw(t, "wet"), Stocked: rapid.Bool().Draw(t, "stocked"),
			}
			if rapid.Bool().Draw(t, "has density") {
				toner.Density = rapid.Float64Range(0.3, 10).Draw(t, "density")
			}
			if i > 0 && rapid.Bool().Draw(t, "superseded") {
				toner.Replaced = &formula.Replacement{By: toners[0].Name, Factor: rapid.Float64Range(0.01, 100).Draw(t, "factor")}
			}
			toners = append(toners, toner)
		}
		var out bytes.Buffer
		require.NoError(t, formula.WriteTonersCSV(&out, toners))
		p, err := formula.ReadTonersCSV(&out, empty)
		require.NoError(t, err)
		require.Empty(t, p.Problems)
		require.Len(t, p.Toners, len(toners))
		for i, toner := range toners {
			require.Equal(t, toner, p.Toners[i].Toner)
		}
	})
}

func TestParseMoney(t *testing.T) {
	for in, want := range map[string]formula.Money{"12.5": 1250, "12,50": 1250, "0": 0, "1.234,56": 123456, "19.99": 1999, "0.29": 29, "12.500": 1250} {
		got, err := formula.ParseMoney(in)
		require.NoError(t, err)
		assert.Equal(t, want, got, in)
	}
	for _, in := range []string{"", "-1", "1.005", "NaN", "1,234", "10000001"} {
		_, err := formula.ParseMoney(in)
		assert.Error(t, err, in)
	}
	assert.Equal(t, "12.05", formula.Money(1205).String())
	assert.Equal(t, "-0.05", formula.Money(-5).String())
}
