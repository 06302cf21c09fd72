package colour_test

import (
	"fmt"

	"pourbook/internal/colour"
)

func ExampleSpectrum_Lab() {
	// A flat grey that reflects a fifth of the light, every 10 nm from 400 to 700 nm.
	values := make([]float64, 31)
	for i := range values {
		values[i] = 0.2
	}
	spectrum, err := colour.NewSpectrum(400, 10, values)
	if err != nil {
		fmt.Println(err)
		return
	}
	lab, err := spectrum.Lab(colour.D65, colour.TenDegrees)
	if err != nil {
		fmt.Println(err)
		return
	}
	hex, _ := lab.Hex()
	fmt.Printf("L* %.2f, chroma %.2f, swatch %s\n", lab.L, lab.Chroma(), hex)
	// Output: L* 51.84, chroma 0.00, swatch #7c7c7c
}

// Pair 1 of Sharma, Wu and Dalal (2005): ΔE00 is 2.0425. By hand: ΔC' 2.9285 over SC 1 + 0.045·81.284 is
// 0.629, ΔH' -2.7263 over SH 1.8421 is -1.480.
func ExampleCIEDE2000() {
	d := colour.CIEDE2000(colour.Lab{L: 50, A: 2.6772, B: -79.7751}, colour.Lab{L: 50, A: 0, B: -82.7485})
	fmt.Printf("%.4f: lightness %.3f, chroma %.3f, hue %.3f\n", d.E, d.L, d.C, d.H)
	// Output: 2.0425: lightness 0.000, chroma 0.629, hue -1.480
}

func ExampleNewSpectrum() {
	_, err := colour.NewSpectrum(400, 10, []float64{62.1, 63.4, 64})
	fmt.Println(err)
	// Output: the spectrum ends at 420 nm (3 values from 400 nm every 10 nm), so bands are missing: it must reach 700 nm
}
