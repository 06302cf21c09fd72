package calc

import paint "pourbook/internal/colour"

type differenceIn struct {
	First   lab      `json:"first"`
	Second  lab      `json:"second"`
	Formula string   `json:"formula"`
	L       *float64 `json:"l"`
	C       *float64 `json:"c"`
}

type differenceOut struct {
	DeltaE float64 `json:"delta_e"`
	DeltaL float64 `json:"delta_l"`
	DeltaC float64 `json:"delta_c"`
	DeltaH float64 `json:"delta_h"`
}

// The weights of CMC where none are given: 2:1, for acceptability (ISO 105-J03).
const cmcL, cmcC = 2, 1

// difference compares two colours by a named formula; the first is the standard. The parts are the plain CIELAB
// differences ΔL*, ΔC*ab and ΔH*ab, whatever the formula.
func difference(raw []byte) (any, error) {
	var in differenceIn
	if err := decode(raw, &in); err != nil {
		return nil, err
	}
	var f fields
	first, second := in.First.read(&f, "first"), in.Second.read(&f, "second")
	l, c := in.L, in.C
	var e float64
	switch in.Formula {
	case "cie76":
		noWeights(&f, l, c)
		e = paint.DeltaE76(first, second)
	case "ciede2000":
		noWeights(&f, l, c)
		e = paint.DeltaE2000(first, second)
	case "cie94":
		material := paint.GraphicArts
		switch {
		case l != nil && *l == 2:
			material = paint.Textiles
		case l != nil && *l != 1:
			f.add("l", "must be 1 for paint and print, or 2 for textiles, in cie94")
		}
		if c != nil && *c != 1 {
			f.add("c", "must be 1 in cie94; leave it out")
		}
		e = paint.CIE94(first, second, material).E
	case "cmc":
		wl, wc := float64(cmcL), float64(cmcC)
		if l != nil {
			wl = *l
			above(&f, "l", wl)
		}
		if c != nil {
			wc = *c
			above(&f, "c", wc)
		}
		if len(f) == 0 {
			d, err := paint.CMC(first, second, wl, wc)
			if err != nil {
				return nil, fieldProblem("l", err)
			}
			e = d.E
		}
	default:
		f.add("formula", "must be cie76, cie94, cmc or ciede2000")
	}
	if err := f.problem(); err != nil {
		return nil, err
	}
	d := paint.Parts(first, second)
	// Adding 0 turns a minus zero, which JSON would show, into 0.
	return differenceOut{e, d.L + 0, d.C + 0, d.H + 0}, nil
}

// noWeights refuses weights other than 1 for a formula that has none.
func noWeights(f *fields, l, c *float64) {
	if l != nil && *l != 1 {
		f.add("l", "goes with cmc and cie94; leave it out")
	}
	if c != nil && *c != 1 {
		f.add("c", "goes with cmc; leave it out")
	}
}
