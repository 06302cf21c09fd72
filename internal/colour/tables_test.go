package colour

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func rows(t *testing.T, name string) [][]string {
	t.Helper()
	file, err := os.Open("../../testdata/colour/" + name)
	require.NoError(t, err)
	defer func() { _ = file.Close() }()
	all, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	return all[1:]
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// Every figure of the Go tables against the files they were written from.
func TestTablesAreTheFiles(t *testing.T) {
	seen := 0
	for _, row := range rows(t, "cie_observers_1nm.csv") {
		nm := int(parse(t, row[0]))
		if nm > longest {
			continue
		}
		for c := range 3 {
			assert.Equal(t, parse(t, row[1+c]), observer2[nm-shortest][c], "%d nm", nm)
			assert.Equal(t, parse(t, row[4+c]), observer10[nm-shortest][c], "%d nm", nm)
		}
		seen++
	}
	assert.Equal(t, wavelengths, seen)

	check := func(name string, tables ...*[fifths]float64) int {
		count := 0
		for _, row := range rows(t, name) {
			nm := int(parse(t, row[0]))
			if nm < shortest || nm > longest {
				continue
			}
			for c, table := range tables {
				assert.Equal(t, parse(t, row[1+c]), table[(nm-shortest)/5], "%s column %d at %d nm", name, c+1, nm)
			}
			count++
		}
		return count
	}
	assert.Equal(t, 81, check("cie_illuminants_5nm.csv", &powerD65, &powerD50, &powerA, &powerF2, &powerF11, &powerLEDB3))
	assert.Equal(t, fifths, check("cie_d65_d50_a_300_780_5nm.csv", &powerD65, &powerD50, &powerA))
}

// Illuminant A against its defining formula (CIE 15:2004, section 3.1), with the constants of the old temperature
// scale in which the table was made.
func TestIlluminantAIsItsFormula(t *testing.T) {
	for k, power := range powerA {
		nm := float64(shortest + 5*k)
		want := 100 * math.Pow(560/nm, 5) * (math.Exp(1.435e7/(2848*560)) - 1) / (math.Exp(1.435e7/(2848*nm)) - 1)
		assert.InDelta(t, want, power, 6e-4, "%v nm", nm)
	}
}

// The scaling to the published white must stay what the comment on Weights says it is; a slip in a table would show.
func TestScalingToTheWhiteIsSmall(t *testing.T) {
	for _, illuminant := range Illuminants() {
		for _, observer := range []Observer{TwoDegrees, TenDegrees} {
			l, err := illuminant.light()
			require.NoError(t, err)
			matching, err := observer.matching()
			require.NoError(t, err)
			white := l.whiteFor(observer, matching)
			fifth, nanometre := [3]float64{}, [3]float64{}
			for k, power := range l.power {
				for c := range fifth {
					fifth[c] += power * matching[5*k][c]
				}
			}
			for k, power := range everyNanometre(&l.power) {
				for c := range nanometre {
					nanometre[c] += power * matching[k][c]
				}
			}
			for c, published := range [3]float64{white.X, white.Y, white.Z} {
				assert.InEpsilon(t, published, fifth[c]/fifth[1]*100, 3e-4, "%s/%s at 5 nm", illuminant, observer)
				assert.InEpsilon(t, published, nanometre[c]/nanometre[1]*100, 1.6e-3, "%s/%s at 1 nm", illuminant, observer)
			}
		}
	}
}

// The worked figures printed in the documentation of colour-science's XYZ_to_metamerism_index (BSD-3-Clause) for the
// multiplicative correction of ISO 18314-4: 3.7906989 in ΔE*ab under A/10. Its white comes from the chromaticity
// 0.45117, 0.40594 (CIE 15:2004).
func TestMetamerismCorrection(t *testing.T) {
	white := XYZ{0.45117 / 0.40594 * 100, 100, (1 - 0.45117 - 0.40594) / 0.40594 * 100}
	got, err := corrected(XYZ{7.6576, 10.7116, 5.0731}, XYZ{7.6933, 10.5616, 5.54474}, XYZ{8.56438, 10.0324, 1.9315})
	require.NoError(t, err)
	standard := XYZ{8.96442, 10.1878, 1.6663}
	assert.InDelta(t, 3.7906989, DeltaE76(standard.Lab(white), got.Lab(white)), 1e-3)
}
