//go:build !race

package silence

const labYears = 3
