package card

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func list(n int, form func(i int) string, between string) string {
	parts := make([]string, n)
	for i := range parts {
		parts[i] = form(i)
	}
	return strings.Join(parts, between)
}

func TestParseCurve(t *testing.T) {
	value := func(i int) float64 { return 0.1 + float64(i)/100 }
	want := Curve{Geometry: "45/0", Start: 400, Step: 10}
	for i := range 31 {
		want.Values = append(want.Values, value(i))
	}
	for name, text := range map[string]string{
		"a line each": list(31, func(i int) string { return fmt.Sprintf("%d,%.2f", 400+10*i, value(i)) }, "\n"),
		"semicolon, comma": "Wellenlänge;Wert\r\n" + list(31, func(i int) string {
			return fmt.Sprintf("%d;%s", 400+10*i, strings.Replace(fmt.Sprintf("%.2f", value(i)), ".", ",", 1))
		}, "\r\n"),
		"tabs and a word":  "wavelength (nm)\treflectance\n" + list(31, func(i int) string { return fmt.Sprintf("%d nm\t%.2f", 400+10*i, value(i)) }, "\n"),
		"two rows":         list(31, func(i int) string { return fmt.Sprint(400 + 10*i) }, ";") + "\nDoor;" + list(31, func(i int) string { return fmt.Sprintf("%.2f", value(i)) }, ";"),
		"values alone":     list(31, func(i int) string { return fmt.Sprintf("%.2f", value(i)) }, " "),
		"values, a column": list(31, func(i int) string { return fmt.Sprintf("%.2f", value(i)) }, "\n"),
		"spaces and commas": list(31, func(i int) string {
			return fmt.Sprintf("%d %s", 400+10*i, strings.Replace(fmt.Sprintf("%.2f", value(i)), ".", ",", 1))
		}, "\n"),
	} {
		got, err := ParseCurve(text, "45/0", false)
		require.NoError(t, err, name)
		assert.InDeltaSlice(t, want.Values, got.Values, 1e-12, name)
		assert.Equal(t, []float64{want.Start, want.Step}, []float64{got.Start, got.Step}, name)
	}
	got, err := ParseCurve(list(31, func(i int) string { return fmt.Sprintf("%d;%.1f %%", 400+10*i, 100*value(i)) }, "\n"), "45/0", true)
	require.NoError(t, err)
	assert.InDeltaSlice(t, want.Values, got.Values, 1e-12, "per cent")
}

func TestBadCurves(t *testing.T) {
	good := func(i int) string { return fmt.Sprintf("%d;%.2f", 400+10*i, 0.3) }
	for name, c := range map[string]struct {
		text    string
		percent bool
		says    string
	}{
		"per cent":        {list(31, func(i int) string { return fmt.Sprintf("%d;%d", 400+10*i, 20+i) }, "\n"), false, "look like per cent"},
		"no per cent":     {list(31, good, "\n"), true, "Choose 0 to 1"},
		"empty":           {" \n", false, "no numbers"},
		"words":           {"red\nblue", false, "no numbers"},
		"uneven":          {list(31, good, "\n") + "\n715;0.3", false, "do not rise evenly"},
		"falling":         {list(31, func(i int) string { return fmt.Sprintf("%d;0.3", 700-10*i) }, "\n"), false, "do not rise evenly"},
		"too few":         {list(7, good, "\n"), false, ""},
		"bare":            {list(12, func(int) string { return "0.3" }, "\n"), false, "could be anything"},
		"below 0":         {list(31, func(i int) string { return fmt.Sprintf("%d;-0.3", 400+10*i) }, "\n"), false, ""},
		"a line with one": {list(31, good, "\n") + "\n710", false, "same number"},
		"long":            {strings.Repeat("0.3 ", MostCurve), false, "more than"},
	} {
		_, err := ParseCurve(c.text, "45/0", c.percent)
		require.Error(t, err, name)
		assert.Contains(t, err.Error(), c.says, name)
	}
}

// What is written out is read again as it was.
func TestCurveThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := Curve{Geometry: "d/8", Start: 400, Step: 10}
		for range 31 {
			c.Values = append(c.Values, float64(rapid.IntRange(1, 9999).Draw(t, "value"))/10000)
		}
		again, err := ParseCurve(c.Text(), "d/8", false)
		require.NoError(t, err)
		assert.True(t, c.Same(&again))
	})
}

// A perfect white is L* 100 by definition (CIE 15).
func TestCurveInFigures(t *testing.T) {
	c := Curve{Geometry: "45/0", Start: 400, Step: 10, Values: make([]float64, 31)}
	for i := range c.Values {
		c.Values[i] = 1
	}
	m, err := c.Main()
	require.NoError(t, err)
	assert.Equal(t, 100.0, m.Lab.L)
	assert.InDelta(t, 0, m.Lab.Chroma(), 0.01)
	require.NoError(t, Check(Card{Spectrum: &c}))
	c.Geometry = "15"
	require.Error(t, Check(Card{Spectrum: &c}))
}

func FuzzParseCurve(f *testing.F) {
	f.Add("400;0,3\n410;0,3", false)
	f.Add(list(31, func(int) string { return "12.5" }, ","), true)
	f.Fuzz(func(t *testing.T, text string, percent bool) {
		c, err := ParseCurve(text, "45/0", percent)
		if err == nil {
			if _, err := c.Main(); err != nil {
				t.Fatalf("taken and then refused: %v", err)
			}
		}
	})
}
