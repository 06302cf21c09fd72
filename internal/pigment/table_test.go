package pigment

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"pourbook/internal/colour"
)

// table reads a CSV of testdata/colour as rows by column name; the source of each is in PROVENANCE.md beside it.
func table(t testing.TB, name string) []map[string]string {
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

func number(t testing.TB, row map[string]string, column string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(row[column], 64)
	require.NoError(t, err, "column %s", column)
	return v
}

// measured reads one surface of every sample of the open mixtures.
func measured(t testing.TB, surface string) map[string]colour.Spectrum {
	t.Helper()
	out := map[string]colour.Spectrum{}
	for _, row := range table(t, "pigment_mixtures_reflectance.csv") {
		if row["surface"] != surface {
			continue
		}
		values := make([]float64, 31)
		for i := range values {
			values[i] = number(t, row, "r"+strconv.Itoa(400+10*i)) / 100
		}
		s, err := colour.NewSpectrum(400, 10, values)
		require.NoError(t, err)
		out[row["sample"]] = s
	}
	return out
}

// openPigments reads the sixteen pigments of pigment_unit_ks.csv in the order of the file.
func openPigments(t testing.TB) []Pigment {
	t.Helper()
	var out []Pigment
	for _, row := range table(t, "pigment_unit_ks.csv") {
		if len(out) == 0 || out[len(out)-1].Name != row["pigment"] {
			out = append(out, Pigment{Name: row["pigment"], Grid: colour.Paint()})
		}
		last := &out[len(out)-1]
		last.K = append(last.K, number(t, row, "K"))
		last.S = append(last.S, number(t, row, "S"))
	}
	require.Len(t, out, 16)
	return out
}

func d65(t testing.TB) colour.Weights {
	t.Helper()
	w, err := colour.NewWeights(colour.Paint(), colour.D65, colour.TenDegrees)
	require.NoError(t, err)
	return w
}

func grey(t testing.TB, v float64) colour.Spectrum {
	t.Helper()
	values := make([]float64, 31)
	for i := range values {
		values[i] = v
	}
	s, err := colour.NewSpectrum(400, 10, values)
	require.NoError(t, err)
	return s
}
