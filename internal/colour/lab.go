package colour

// Lab is a CIELAB colour, L from 0 to 100. The illuminant and observer are named where the value is made or kept.
type Lab struct{ L, A, B float64 }
