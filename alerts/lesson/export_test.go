package lesson

// The statistics, for checking them against published results.
var (
	Mean       = mean
	Difference = difference
	Slope      = slope
	Share      = share
	Needed     = needed
)
