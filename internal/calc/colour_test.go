package calc

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// colourTable reads a CSV of testdata/colour as rows by column name; the source of each is in PROVENANCE.md there.
func colourTable(t *testing.T, name string) []map[string]string {
	t.Helper()
	file, err := os.Open(filepath.Join("..", "..", "testdata", "colour", name))
	require.NoError(t, err)
	defer func() { _ = file.Close() }()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 1, "%s has no rows", name)
	out := make([]map[string]string, 0, len(rows)-1)
	for _, row := range rows[1:] {
		named := make(map[string]string, len(row))
		for i, cell := range row {
			named[rows[0][i]] = cell
		}
		out = append(out, named)
	}
	return out
}

func cell(t *testing.T, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	require.NoError(t, err, "column %s", column)
	return v
}

func jsonOf(t *testing.T, v any) string {
	t.Helper()
	raw, err := json.Marshal(v)
	require.NoError(t, err)
	return string(raw)
}

func labIn(t *testing.T, got map[string]any, l, a, b, within float64) {
	t.Helper()
	lab := got["lab"].(map[string]any)
	assert.InDelta(t, l, lab["l"].(float64), within)
	assert.InDelta(t, a, lab["a"].(float64), within)
	assert.InDelta(t, b, lab["b"].(float64), within)
}

// chart24_expected.csv: by colour-science's ASTM E308; package colour tests every row, here the way through JSON.
func TestColourOfTheChart(t *testing.T) {
	values := map[string][]float64{}
	for _, row := range colourTable(t, "chart24_spectra.csv") {
		for name := range row {
			values[name] = append(values[name], cell(t, row, name))
		}
	}
	lights := map[string]string{"d65": "D65", "d50": "D50", "a": "A", "fl2": "F2", "fl11": "F11"}
	rows := colourTable(t, "chart24_expected.csv")
	require.Len(t, rows, 144)
	for _, row := range rows {
		got := run(t, "colour", jsonOf(t, map[string]any{
			"spectrum":   spectrum{380, 5, values[row["patch"]]},
			"illuminant": lights[row["illuminant"]], "observer": row["observer_deg"],
		}))
		labIn(t, got, cell(t, row, "L"), cell(t, row, "a"), cell(t, row, "b"), 0.015)
		xyz := got["xyz"].([]any)
		require.Len(t, xyz, 3)
		for i, column := range []string{"X", "Y", "Z"} {
			assert.InDelta(t, cell(t, row, column), xyz[i].(float64), 0.02)
		}
	}
}

func TestColourRefuses(t *testing.T) {
	flat := func(n int, v float64) []float64 {
		values := make([]float64, n)
		for i := range values {
			values[i] = v
		}
		return values
	}
	ask := func(start, step float64, values []float64, light, observer string) string {
		return jsonOf(t, colourIn{spectrum{start, step, values}, light, observer})
	}
	dip := flat(31, 0.5)
	dip[3] = -0.01
	for _, bad := range []struct{ in, field, says string }{
		{ask(400, 10, flat(31, 50), "D65", "10"), "spectrum.values[0]", "divide all values by 100"},
		{ask(400, 10, dip, "D65", "10"), "spectrum.values[3]", "cannot be below 0"},
		{ask(400, 10, flat(31, 1.01), "D65", "10"), "spectrum.values[0]", "cannot be above 1"},
		{ask(400, 10, flat(20, 0.5), "D65", "10"), "spectrum.values", "bands are missing"},
		{ask(450, 10, flat(31, 0.5), "D65", "10"), "spectrum.start", "bands are missing"},
		{ask(400, 0, flat(31, 0.5), "D65", "10"), "spectrum.step", "must be from 0.1 to 20 nm"},
		{ask(400, 10, []float64{}, "D65", "10"), "spectrum.values", "has 0 values"},
		{ask(400, 10, flat(31, 0.5), "d65", "10"), "illuminant", "choose A, D50, D65, F2, F11 or LED-B3"},
		{ask(400, 10, flat(31, 0.5), "D65", "5"), "observer", "choose 2 or 10 degrees"},
		{`{"spectrum": {"start": 400, "step": 10, "values": [NaN]}, "illuminant": "D65", "observer": "10"}`, "spectrum.values[0]", "NaN"},
		{`{"illuminant": "D65", "observer": "10"}`, "spectrum", "is missing"},
		{`{"spectrum": {"start": 400, "step": 10, "values": [], "unit": "nm"}, "illuminant": "D65", "observer": "10"}`, "spectrum.unit", "is not a field"},
	} {
		p := problem(t, "colour", bad.in)
		assert.True(t, names(p, bad.field, bad.says), "%v", p)
	}
}
