package formula_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

// The ways of writing 1234567.89 and the like are those of the Unicode CLDR 45 number patterns
// (en, de, fr, de-CH, es, ar); the rules for what is ambiguous are this package's own.
func TestParseNumber(t *testing.T) {
	for _, c := range []struct {
		in   string
		want float64
	}{
		{"12.5", 12.5},
		{"12,5", 12.5},
		{" 12.5 ", 12.5},
		{"0", 0},
		{"-0", 0},
		{"007", 7},
		{".5", 0.5},
		{",5", 0.5},
		{",500", 0.5},
		{"5.", 5},
		{"+3", 3},
		{"-3,25", -3.25},
		{"−3.25", -3.25},
		{"1.234", 1.234},
		{"0,234", 0.234},
		{"1234,567", 1234.567},
		{"1,234,567", 1234567},
		{"1.234.567", 1234567},
		{"1,234,567.89", 1234567.89},
		{"1.234.567,89", 1234567.89},
		{"1 234 567,89", 1234567.89},
		{"1\u00a0234\u00a0567,89", 1234567.89},
		{"1\u202f234\u202f567,89", 1234567.89},
		{"1'234'567.89", 1234567.89},
		{"1’234’567.89", 1234567.89},
		{"1,234.5", 1234.5},
		{"1.234,5", 1234.5},
		{"١٢٫٥", 12.5},
		{"١٬٢٣٤٫٥", 1234.5},
		{"१२.५", 12.5},
		{"12.5", 12.5},
	} {
		got, err := formula.ParseNumber(c.in)
		if assert.NoError(t, err, c.in) {
			assert.Equal(t, c.want, got, c.in)
			assert.False(t, math.Signbit(got) && got == 0, c.in)
		}
	}
}

func TestParseNumberRefuses(t *testing.T) {
	for _, c := range []struct{ in, says string }{
		{"", "There is no number."},
		{"  ", "There is no number."},
		{"NaN", "not a number"},
		{"inf", "not a number"},
		{"1e3", "not a number"},
		{"0x10", "not a number"},
		{"1_000", "not a number"},
		{"1/2", "not a number"},
		{"½", "not a number"},
		{"--1", "not a number"},
		{"1-", "not a number"},
		{".", "not a number"},
		{"-", "not a number"},
		{"1,23,456", "not a number"},
		{"1,234.567.8", "not a number"},
		{"1.2,3.4", "not a number"},
		{"1234,567.8", "not a number"},
		{"1 23", "not a number"},
		{"12  345", "not a number"},
		{"1,234", `"1,234" can mean 1.234 or 1234. Write 1.234 or 1234.`},
		{"-12,345", `can mean 12.345 or 12345`},
		{strings.Repeat("9", 41), "too long"},
		{"12\x00", "not a number"},
		{"\xff", "not a number"},
	} {
		_, err := formula.ParseNumber(c.in)
		require.Error(t, err, c.in)
		assert.Contains(t, err.Error(), c.says, c.in)
		var p formula.Problem
		require.ErrorAs(t, err, &p)
		assert.Equal(t, "amount", p.Field)
	}
}

func TestParseMass(t *testing.T) {
	for _, c := range []struct {
		in   string
		want gram.Mass
	}{
		{"212.4", 212_400},
		{"212,4 g", 212_400},
		{"0", 0},
		{"0.0005", 1},
		{"12.3456", 12_346},
		{"1.2 kg", 1_200_000},
		{"250mg", 250},
		{"1 lb", 453_592},  // 0.45359237 kg: NIST SP 811, B.8
		{"1 oz", 28_350},   // 28.349523125 g: NIST SP 811, B.8
		{"16 OZ", 453_592}, // sixteen ounces are a pound
		{"1000 kg", gram.MaxMass},
	} {
		got, err := formula.ParseMass(c.in)
		if assert.NoError(t, err, c.in) {
			assert.Equal(t, c.want, got, c.in)
		}
	}
	for _, c := range []struct{ in, says string }{
		{"", "There is no weight. Enter it in grams, like 12.5."},
		{"NaN", "not a weight"},
		{"g", "not a weight"},
		{"-1", "below 0"},
		{"-0.0001", "below 0"},
		{"10 000 kg", "10000 kg is more than any batch. The most is 1000 kg"},
		{"1000000.001", "more than any batch"},
		{"999999999999999999999999999999999999", "more than any batch"},
		{"0.0004", "less than a milligram"},
		{"250 ml", "not a unit of weight"},
		{"12 %", "not a unit of weight"},
		{"1,234 g", "can mean"},
	} {
		_, err := formula.ParseMass(c.in)
		require.Error(t, err, c.in)
		assert.Contains(t, err.Error(), c.says, c.in)
	}
}

// What a display shows is read as the same mass, with point or comma, whatever the division.
func TestParseMassReadsDisplays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := gram.Mass(rapid.Int64Range(0, int64(gram.MaxMass)).Draw(t, "mass"))
		d := rapid.SampledFrom([]gram.Mass{1, 10, 50, 100, 1000}).Draw(t, "division")
		shown := m.Show(d)
		got, err := formula.ParseMass(shown)
		require.NoError(t, err)
		require.Equal(t, m.Round(d), got)
		if gram.Decimals(d) != 3 {
			got, err = formula.ParseMass(strings.Replace(shown, ".", ",", 1))
			require.NoError(t, err)
			require.Equal(t, m.Round(d), got)
		}
	})
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"12.5", "1,234", "1.234,5", "1'234.5", "NaN", "−5", "١٢٫٥", "1 234 567,89", "12 kg", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		n, err := formula.ParseNumber(s)
		if err == nil {
			require.False(t, math.IsNaN(n) || math.IsInf(n, 0))
			// Written out plainly it is the same number, where it is not too long to write out.
			if plain := strconv.FormatFloat(n, 'f', -1, 64); len(plain) <= 40 {
				again, err := formula.ParseNumber(plain)
				require.NoError(t, err)
				require.Equal(t, n, again)
			}
		} else {
			require.NotEmpty(t, err.Error())
		}
		m, err := formula.ParseMass(s)
		if err == nil {
			require.True(t, m >= 0 && m <= gram.MaxMass)
		}
	})
}
