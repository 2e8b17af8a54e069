package its90

// Approximate is the published inverse, for the check against its published error.
func (t Type) Approximate(millivolts float64) (float64, error) { return t.approximate(millivolts) }
