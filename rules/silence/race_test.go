//go:build race

package silence

// The race detector makes the lab twelve times slower and finds nothing in it:
// an Estimator has no goroutine.
const labYears = 1
