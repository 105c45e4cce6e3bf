package battery

import "slices"

// curve is the voltage of one cell at light load against its state of charge.
type curve struct {
	name   string
	source string
	cutoff float64   // V; where a cell counts as flat
	soc    []float64 // rising, 0..1
	volts  []float64 // rising, V, at soc
	level  bool      // only its end tells of the charge
	doubt  float64   // how far, in state of charge, another cell of the kind may be off in mid-curve; one standard deviation
}

const ownPractice = "common practice, no source"

var tenths = []float64{0, .05, .1, .2, .3, .4, .5, .6, .7, .8, .9, 1}

// curves holds every chemistry. Only the first is measured, and on one cell;
// the others are the usual shape, and the doubt says so.
var curves = []curve{
	{
		name: "lithium_ion",
		source: "open-circuit voltage of one NMC cell: electrode fits of Chen et al., " +
			"J. Electrochem. Soc. 167 (2020) 080534, 0 and 100 % taken at 2.5 and 4.2 V",
		cutoff: 3.0, // common practice, no source
		soc: []float64{0, .05, .10, .15, .20, .25, .30, .35, .40, .45, .50,
			.55, .60, .65, .70, .75, .80, .85, .90, .95, 1},
		volts: []float64{2.5, 3.1094, 3.2959, 3.4339, 3.4852, 3.5286, 3.5814, 3.629, 3.667, 3.7054, 3.7509,
			3.7983, 3.8406, 3.8896, 3.9479, 3.9943, 4.0421, 4.0809, 4.0967, 4.1236, 4.2},
		doubt: .06,
	},
	{
		name: "alkaline", source: ownPractice, cutoff: .9, soc: tenths, doubt: .12,
		volts: []float64{.80, .95, 1.04, 1.12, 1.17, 1.21, 1.25, 1.29, 1.34, 1.40, 1.47, 1.58},
	},
	{
		name: "nimh", source: ownPractice, cutoff: 1.0, soc: tenths, doubt: .20,
		volts: []float64{.90, 1.10, 1.17, 1.21, 1.23, 1.245, 1.255, 1.265, 1.275, 1.29, 1.32, 1.42},
	},
	{
		name: "lifepo4", source: ownPractice, cutoff: 2.8, soc: tenths, doubt: .25,
		volts: []float64{2.5, 2.95, 3.10, 3.21, 3.25, 3.275, 3.285, 3.295, 3.31, 3.325, 3.34, 3.50},
	},
	{
		name: "lithium_primary", source: "lithium manganese dioxide, 3 V; " + ownPractice, cutoff: 2.0, soc: tenths, doubt: .25,
		volts: []float64{1.8, 2.35, 2.55, 2.74, 2.83, 2.88, 2.92, 2.95, 2.97, 3.0, 3.05, 3.15},
	},
	{
		name: "lithium_thionyl", source: "lithium thionyl chloride, 3.6 V; " + ownPractice, cutoff: 3.0, soc: tenths, doubt: .30, level: true,
		volts: []float64{2.0, 3.40, 3.50, 3.55, 3.57, 3.58, 3.59, 3.60, 3.61, 3.62, 3.63, 3.66},
	},
}

// percent takes a charge that the board tells, in per cent, for what it is. Of how
// the board comes by it nothing is known: mostly by a straight line through
// voltages, which is off in mid-curve by as much as this says.
var percent = curve{soc: []float64{0, 1}, volts: []float64{0, 100}, doubt: .12}

// Chemistries returns the names that Config.Chemistry takes.
func Chemistries() []string {
	names := make([]string, len(curves))
	for i, c := range curves {
		names[i] = c.name
	}
	return names
}

// Source returns where the discharge curve of a chemistry comes from; ok is
// false if there is no such chemistry.
func Source(chemistry string) (source string, ok bool) {
	if c := findCurve(chemistry); c != nil {
		return c.source, true
	}
	return "", false
}

// Charge returns the state of charge, 0..1, at which one cell of a chemistry
// shows volts at light load; ok is false if there is no such chemistry.
func Charge(chemistry string, volts float64) (charge float64, ok bool) {
	if c := findCurve(chemistry); c != nil {
		return c.charge(volts), true
	}
	return 0, false
}

func findCurve(name string) *curve {
	i := slices.IndexFunc(curves, func(c curve) bool { return c.name == name })
	if i < 0 {
		return nil
	}
	return &curves[i]
}

// charge interpolates; volts beyond the curve give its ends.
func (c *curve) charge(v float64) float64 {
	n := len(c.volts)
	if v <= c.volts[0] {
		return 0
	}
	for i := 1; i < n; i++ {
		if v < c.volts[i] {
			part := (v - c.volts[i-1]) / (c.volts[i] - c.volts[i-1])
			return c.soc[i-1] + float64(part*(c.soc[i]-c.soc[i-1]))
		}
	}
	return 1
}

// full returns the voltage of a full cell.
func (c *curve) full() float64 { return c.volts[len(c.volts)-1] }
