package rules

import (
	"fmt"
	"math"
)

// Sure writes a confidence, 0 to 1, for people, as the reasons of events do; it
// never says 100 %, for nothing is that sure.
func Sure(confidence float64) string {
	switch {
	case confidence > 0.999:
		return "over 99.9 %"
	case confidence > 0.99:
		return fmt.Sprintf("%.1f %%", math.Floor(confidence*1000)/10)
	}
	return fmt.Sprintf("%.0f %%", confidence*100)
}
