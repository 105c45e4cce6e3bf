package rules

import "lampward/rules/learn"

// Sure writes a confidence, 0 to 1, for people, as the reasons of events do; it
// never says 100 %, for nothing is that sure.
func Sure(confidence float64) string { return learn.Sure(confidence) }
