package colour_test

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/colour"
)

// table reads a CSV of testdata/colour as rows by column name; the source of each is in PROVENANCE.md beside it.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	file, err := os.Open(filepath.Join("..", "..", "testdata", "colour", name))
	require.NoError(t, err)
	defer func() { _ = file.Close() }()
	reader := csv.NewReader(file)
	reader.Comment = '#'
	rows, err := reader.ReadAll()
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

func pair(t testing.TB, row map[string]string) (standard, sample colour.Lab) {
	return colour.Lab{L: number(t, row, "L1"), A: number(t, row, "a1"), B: number(t, row, "b1")},
		colour.Lab{L: number(t, row, "L2"), A: number(t, row, "a2"), B: number(t, row, "b2")}
}

// The 34 pairs of Sharma, Wu and Dalal (2005), table 1, given to four decimals.
func TestDeltaE2000PublishedPairs(t *testing.T) {
	rows := table(t, "ciede2000_sharma_2005.csv")
	require.Len(t, rows, 34)
	for _, row := range rows {
		standard, sample := pair(t, row)
		want := number(t, row, "dE00")
		assert.InDelta(t, want, colour.DeltaE2000(standard, sample), 1e-4, "pair %s", row["pair"])
		assert.InDelta(t, want, colour.DeltaE2000(sample, standard), 1e-4, "pair %s swapped", row["pair"])
	}
}

// colour_differences.csv: made-up pairs, computed with culori 4.0.2, six decimals.
func TestDifferencesAgainstTable(t *testing.T) {
	const within = 1e-6
	for _, row := range table(t, "colour_differences.csv") {
		id := row["id"]
		standard, sample := pair(t, row)
		plain := colour.Parts(standard, sample)
		assert.InDelta(t, number(t, row, "dL"), plain.L, within, "dL of %s", id)
		assert.InDelta(t, number(t, row, "dC"), plain.C, within, "dC of %s", id)
		assert.InDelta(t, number(t, row, "dH"), plain.H, within, "dH of %s", id)
		assert.InDelta(t, number(t, row, "dE76"), plain.E, within, "dE76 of %s", id)
		assert.InDelta(t, number(t, row, "dE76"), colour.DeltaE76(standard, sample), within, "dE76 of %s", id)
		assert.InDelta(t, number(t, row, "dE94_graphic_arts"), colour.CIE94(standard, sample, colour.GraphicArts).E, within, "CIE94 of %s", id)
		assert.InDelta(t, number(t, row, "dE94_textiles"), colour.CIE94(standard, sample, colour.Textiles).E, within, "CIE94 textiles of %s", id)
		for column, l := range map[string]float64{"dECMC_1_1": 1, "dECMC_2_1": 2} {
			got, err := colour.CMC(standard, sample, l, 1)
			require.NoError(t, err)
			assert.InDelta(t, number(t, row, column), got.E, within, "%s of %s", column, id)
		}
		assert.InDelta(t, number(t, row, "dE00"), colour.DeltaE2000(standard, sample), within, "dE00 of %s", id)
	}
}

func TestCMCRefusesWeightsThatAreNotAboveZero(t *testing.T) {
	for _, bad := range [][2]float64{{0, 1}, {2, 0}, {-1, 1}, {math.NaN(), 1}, {2, math.Inf(1)}} {
		_, err := colour.CMC(colour.Lab{L: 50}, colour.Lab{L: 51}, bad[0], bad[1])
		require.Error(t, err, "%v", bad)
		assert.Contains(t, err.Error(), "must be numbers above 0")
	}
}

func anyLab() *rapid.Generator[colour.Lab] {
	return rapid.Custom(func(t *rapid.T) colour.Lab {
		return colour.Lab{
			L: rapid.Float64Range(0, 100).Draw(t, "L"),
			A: rapid.Float64Range(-128, 128).Draw(t, "a"),
			B: rapid.Float64Range(-128, 128).Draw(t, "b"),
		}
	})
}

// What every difference must obey: nothing to itself, never negative, parts that make up the whole.
func TestDifferenceLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		standard, sample := anyLab().Draw(t, "standard"), anyLab().Draw(t, "sample")
		cmc, err := colour.CMC(standard, sample, 2, 1)
		require.NoError(t, err)
		for name, d := range map[string]colour.Difference{
			"plain": colour.Parts(standard, sample), "cie94": colour.CIE94(standard, sample, colour.GraphicArts), "cmc": cmc,
		} {
			assert.InDelta(t, d.E*d.E, d.L*d.L+d.C*d.C+d.H*d.H, 1e-9*(1+d.E*d.E), name)
		}
		forth, back := colour.DeltaE2000(standard, sample), colour.DeltaE2000(sample, standard)
		assert.GreaterOrEqual(t, forth, 0.0)
		assert.False(t, math.IsNaN(forth))
		// Where the hues lie 180 degrees apart the formula itself jumps (Sharma, pairs 10 to 16).
		if h := math.Abs(standard.LCh().H - sample.LCh().H); math.Abs(h-180) > 1 {
			assert.InDelta(t, forth, back, 1e-9, "symmetry")
		}
		assert.Zero(t, colour.DeltaE2000(standard, standard))
	})
}

func TestDeltaE2000AllocatesNothing(t *testing.T) {
	standard, sample := colour.Lab{L: 50, A: 2.6772, B: -79.7751}, colour.Lab{L: 50, B: -82.7485}
	assert.Zero(t, testing.AllocsPerRun(100, func() { sink = colour.DeltaE2000(standard, sample) }))
}

var sink float64

func BenchmarkDeltaE2000(b *testing.B) {
	standard, sample := colour.Lab{L: 50, A: 2.6772, B: -79.7751}, colour.Lab{L: 50, B: -82.7485}
	b.ReportAllocs()
	for b.Loop() {
		sink = colour.DeltaE2000(standard, sample)
	}
}
