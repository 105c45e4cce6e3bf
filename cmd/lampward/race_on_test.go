//go:build race

package main

// raceOn: SQLite, which is Go code here, runs some thirty times slower.
const raceOn = true
