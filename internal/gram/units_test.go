package gram

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// trade reads one of the published tables; the first line of each names its source.
func trade(t *testing.T, name string) (rows []map[string]string) {
	t.Helper()
	f, err := os.Open("../../testdata/trade/" + name)
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	require.NoError(t, err)
	for _, line := range all[1:] {
		row := map[string]string{}
		for i, v := range line {
			row[all[0][i]] = v
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// Source: NIST Handbook 44, Appendix C, as listed in testdata/trade/units.csv.
func TestUnitsAsPublished(t *testing.T) {
	names := map[string]Unit{
		"US gallon": UnitUSGallon, "US liquid quart": UnitUSQuart, "US liquid pint": UnitUSPint, "US fluid ounce": UnitUSFlOz,
		"imperial gallon": UnitImpGallon, "imperial quart": UnitImpQuart, "imperial pint": UnitImpPint, "imperial fluid ounce": UnitImpFlOz,
		"avoirdupois pound": UnitPound, "avoirdupois ounce": UnitOunce,
	}
	seen := 0
	for _, row := range trade(t, "units.csv") {
		u, ours := names[row["one"]]
		if !ours {
			continue
		}
		seen++
		got := u.Grams()
		if row["equals_unit"] == "mL" {
			got = u.Millilitres()
		}
		assert.InEpsilon(t, number(t, row["value"]), got, 1e-15, row["one"])
		assert.Equal(t, row["equals_unit"] == "mL", u.IsVolume(), row["one"])
	}
	assert.Equal(t, len(names), seen, "every unit must stand in the table")
}

func TestEveryUnitReadsItsOwnNameAndLabel(t *testing.T) {
	require.Len(t, Units, 14)
	for _, u := range Units {
		assert.True(t, u.Known())
		assert.NotEqual(t, u.Grams() > 0, u.Millilitres() > 0, "%s is either a weight or a volume", u)
		for _, s := range []string{string(u), u.Label()} {
			got, err := ParseUnit(s)
			require.NoError(t, err, s)
			assert.Equal(t, u, got, s)
		}
	}
	assert.False(t, Unit("stone").Known())
}

func TestParseUnit(t *testing.T) {
	for s, want := range map[string]Unit{
		"G": UnitGram, " grams ": UnitGram, "KG": UnitKilogram, "lbs": UnitPound, "ounces": UnitOunce, "mL": UnitMl,
		"Litre": UnitLitre, "liters": UnitLitre, "US qt": UnitUSQuart, "imp pt": UnitImpPint, "imp. fl. oz.": UnitImpFlOz,
		"US fl oz": UnitUSFlOz, "UK gallon": UnitImpGallon, "imperial quart": UnitImpQuart, "u.s. gal": UnitUSGallon,
	} {
		got, err := ParseUnit(s)
		require.NoError(t, err, s)
		assert.Equal(t, want, got, s)
	}
	for s, says := range map[string]string{
		"pint": "US or imperial", "fl oz": "US or imperial", "gallon": "US or imperial", "": "not a unit",
		"stone": "not a unit", "US": "not a unit", "US litre": "leave out the country", "imp": "not a unit",
	} {
		_, err := ParseUnit(s)
		assert.ErrorContains(t, err, says, s)
	}
}

func TestAmount(t *testing.T) {
	m, err := Amount{600, UnitMl}.Mass(1.02)
	require.NoError(t, err)
	assert.Equal(t, Of(612), m)
	// Exact by definition: 1 lb = 453.59237 g (NIST Handbook 44 App. C), here to the milligram.
	m, err = Amount{1, UnitPound}.Mass(0)
	require.NoError(t, err)
	assert.Equal(t, Mass(453592), m)
	v, err := Amount{1.2, UnitKilogram}.Millilitres(1.2)
	require.NoError(t, err)
	assert.InDelta(t, 1000, v, 1e-9)
	v, err = Amount{2, UnitUSQuart}.Millilitres(0)
	require.NoError(t, err)
	assert.InDelta(t, 1892.705892, v, 1e-9)

	for _, bad := range []struct {
		a       Amount
		density float64
		says    string
	}{
		{Amount{0, UnitGram}, 1, "above 0"},
		{Amount{-1, UnitGram}, 1, "above 0"},
		{Amount{math.NaN(), UnitGram}, 1, "not a number"},
		{Amount{math.Inf(1), UnitGram}, 1, "not a number"},
		{Amount{1001, UnitKilogram}, 1, "more than a tonne"},
		{Amount{math.MaxFloat64, UnitLitre}, 1, "more than a tonne"},
		{Amount{0.0004, UnitGram}, 1, "less than a milligram"},
		{Amount{1, UnitLitre}, 0, "density is missing"},
		{Amount{1, UnitLitre}, -1, "not a density"},
		{Amount{1, UnitLitre}, math.NaN(), "not a density"},
		{Amount{1, UnitLitre}, math.Inf(1), "not a density"},
		{Amount{1, "stone"}, 1, "not a unit"},
	} {
		_, err := bad.a.Mass(bad.density)
		assert.ErrorContains(t, err, bad.says, "%v at %v", bad.a, bad.density)
	}
	_, err = Amount{1, UnitGram}.Millilitres(0)
	assert.ErrorContains(t, err, "density is missing")
	_, err = Amount{-1, UnitMl}.Millilitres(0)
	assert.ErrorContains(t, err, "above 0")
}

// Law: a volume weighed and turned back is the same volume, to what a milligram is worth.
func TestAmountThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(Units).Draw(t, "unit")
		a := Amount{rapid.Float64Range(0.1, 100).Draw(t, "value"), u}
		density := rapid.Float64Range(0.7, 1.8).Draw(t, "density")
		m, err := a.Mass(density)
		require.NoError(t, err)
		v, err := a.Millilitres(density)
		require.NoError(t, err)
		assert.InDelta(t, v, m.Grams()/density, 0.001/density)
	})
}
