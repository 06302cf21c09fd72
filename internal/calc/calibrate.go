package calc

import (
	"errors"
	"fmt"

	paint "pourbook/internal/colour"
	"pourbook/internal/pigment"
)

type readingIn struct {
	Spectrum spectrum  `json:"spectrum"`
	Over     *spectrum `json:"over"`
}

type sampleIn struct {
	Parts    []share     `json:"parts"`
	Readings []readingIn `json:"readings"`
}

type calibrateIn struct {
	Samples  []sampleIn `json:"samples"`
	K1       float64    `json:"k1"`
	K2       float64    `json:"k2"`
	Specular string     `json:"specular"`
	White    string     `json:"white"`
}

type residualOut struct {
	Mean  float64 `json:"mean"`
	Worst float64 `json:"worst"`
}

type calibrateOut struct {
	Pigments     []pigmentIn `json:"pigments"`
	Residual     residualOut `json:"residual"`
	Undetermined []string    `json:"undetermined"`
}

// calibrate finds the colour data of toners from measured samples. The toners come in the order in which the samples
// name them.
func calibrate(raw []byte) (any, error) {
	var in calibrateIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	surface := surfaceOf(&f, in.K1, in.K2, in.Specular)
	count(&f, "samples", len(in.Samples))
	toners := in.toners()
	samples := make([]pigment.Drawdown, len(in.Samples))
	for i, s := range in.Samples {
		at := fmt.Sprintf("samples[%d].", i)
		samples[i].Parts = amounts(&f, at+"parts", s.Parts, toners)
		count(&f, at+"readings", len(s.Readings))
		for j, r := range s.Readings {
			at := fmt.Sprintf("%sreadings[%d].", at, j)
			reading := pigment.GroundReading{Spectrum: r.Spectrum.read(&f, at+"spectrum")}
			if r.Over != nil {
				reading.Over = r.Over.read(&f, at+"over")
			}
			samples[i].Readings = append(samples[i].Readings, reading)
		}
	}
	names, white := make([]string, len(toners)), false
	for i, t := range toners {
		names[i] = t.Toner
		white = white || t.Toner == in.White
	}
	if !white {
		f.add("white", "%q is in none of the samples; name the white that they were made with", in.White)
	}
	if err := f.problem(); err != nil {
		return nil, err
	}
	c, err := pigment.Calibrate(names, in.White, samples, surface, pigment.UsualPrior())
	if err != nil {
		return nil, drawdownProblem(err)
	}
	out := calibrateOut{Residual: residualOut{c.Mean, c.Worst}, Undetermined: []string{}}
	for _, p := range c.Pigments {
		out.Pigments = append(out.Pigments, pigmentIn{p.Name, p.Grid.Start, p.Grid.Step, p.K, p.S})
	}
	out.Undetermined = append(out.Undetermined, c.Undetermined...)
	return out, nil
}

// toners lists the toners of all samples, each once, in the order in which they are named.
func (in calibrateIn) toners() []pigmentIn {
	var out []pigmentIn
	seen := map[string]bool{}
	for _, s := range in.Samples {
		for _, p := range s.Parts {
			if p.Toner != "" && !seen[p.Toner] {
				seen[p.Toner] = true
				out = append(out, pigmentIn{Toner: p.Toner})
			}
		}
	}
	return out
}

// surfaceOf checks the surface of the paint.
func surfaceOf(f *fields, k1, k2 float64, specular string) pigment.Surface {
	s := pigment.Surface{K1: k1, K2: k2}
	switch specular {
	case "included":
	case "excluded":
		s.SpecularExcluded = true
	default:
		f.add("specular", "must be included or excluded")
	}
	for _, c := range []struct {
		name    string
		surface pigment.Surface
	}{{"k1", pigment.Surface{K1: k1}}, {"k2", pigment.Surface{K2: k2}}} {
		if err := c.surface.Valid(); err != nil {
			f.add(c.name, "%s", err)
		}
	}
	return s
}

// drawdownProblem passes on what package pigment found in a sample, with its field.
func drawdownProblem(err error) error {
	field := "samples"
	var at *pigment.DrawdownError
	if errors.As(err, &at) {
		field = fmt.Sprintf("samples[%d]", at.Sample)
		if at.Reading >= 0 {
			field = fmt.Sprintf("%s.readings[%d]", field, at.Reading)
		}
		field = join(field, at.Field)
	}
	return fieldProblem(field, err)
}

// lightsOf checks the lights under which colours are compared, and the observer.
func lightsOf(f *fields, lights []string, observer string) ([]paint.Illuminant, paint.Observer) {
	count(f, "illuminants", len(lights))
	names := map[string]int{}
	var out []paint.Illuminant
	for i, light := range lights {
		at := fmt.Sprintf("illuminants[%d]", i)
		l, err := paint.ParseIlluminant(light)
		if err != nil {
			f.add(at, "%s", err)
			continue
		}
		named(f, at, light, names, i)
		out = append(out, l)
	}
	o, err := paint.ParseObserver(observer)
	if err != nil {
		f.add("observer", "%s", err)
	}
	return out, o
}
