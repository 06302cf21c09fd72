package colour

import "math"

// XYZ are tristimulus values on the scale where Y of the white is 100.
type XYZ struct{ X, Y, Z float64 }

// The two constants of the CIELAB function as exact fractions (CIE 15:2004, section 8.2.1.1).
const (
	labDelta = 6.0 / 29
	labSlope = 1 / (3 * labDelta * labDelta) // 841/108
)

// Lab returns CIELAB with respect to white.
func (v XYZ) Lab(white XYZ) Lab {
	fx, fy, fz := labF(v.X/white.X), labF(v.Y/white.Y), labF(v.Z/white.Z)
	return Lab{116*fy - 16, 500 * (fx - fy), 200 * (fy - fz)}
}

// XYZ returns the tristimulus values that have this Lab with respect to white.
func (l Lab) XYZ(white XYZ) XYZ {
	fy := (l.L + 16) / 116
	return XYZ{
		white.X * labInverse(fy+l.A/500),
		white.Y * labInverse(fy),
		white.Z * labInverse(fy-l.B/200),
	}
}

func labF(t float64) float64 {
	if t > labDelta*labDelta*labDelta {
		return math.Cbrt(t)
	}
	return labSlope*t + 4.0/29
}

func labInverse(f float64) float64 {
	if f > labDelta {
		return f * f * f
	}
	return (f - 4.0/29) / labSlope
}

// LabSlope returns how L, a and b change for a small change of X, Y and Z at v: the derivative of Lab in that
// direction.
func (v XYZ) LabSlope(change, white XYZ) Lab {
	fx := labFSlope(v.X/white.X) * change.X / white.X
	fy := labFSlope(v.Y/white.Y) * change.Y / white.Y
	fz := labFSlope(v.Z/white.Z) * change.Z / white.Z
	return Lab{116 * fy, 500 * (fx - fy), 200 * (fy - fz)}
}

func labFSlope(t float64) float64 {
	if t > labDelta*labDelta*labDelta {
		root := math.Cbrt(t)
		return 1 / (3 * root * root)
	}
	return labSlope
}
