package calibrate

// Saturation is the formula without the kitchen's bounds, for the release's check
// values.
func Saturation(megapascal float64) float64 { return saturation(megapascal) }
