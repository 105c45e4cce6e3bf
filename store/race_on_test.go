//go:build race

package store

// raceOn: SQLite, which is Go code here, runs some thirty times slower.
const raceOn = true
