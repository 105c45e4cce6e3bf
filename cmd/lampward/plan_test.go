package main

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func runPlan(args ...string) (code int, out, errOut string) {
	var o, e bytes.Buffer
	code = planCommand.execute(context.Background(), console{strings.NewReader(""), &o, &e}, args)
	return code, o.String(), e.String()
}

func TestPlan(t *testing.T) {
	notUnderRace(t)
	code, out, errOut := runPlan("-lit", "6k", "-dark", "8k", "-fixed", "10k")
	require.Equal(t, exitOK, code, errOut)
	assert.Empty(t, errOut)
	// Geometric mean of 6 and 8 kohm; 10/16 and 10/18 of 1024 counts.
	assert.Contains(t, out, "6.93 kohm")
	assert.Contains(t, out, "640 and 569 counts of 1024")
	assert.Contains(t, out, "swing               71 counts; at best 74")
	assert.Contains(t, out, "not a life-safety alarm")
	assert.Contains(t, out, "Lithium")
	assert.Contains(t, out, "mains")
	assert.Contains(t, out, "525600")

	_, out, _ = runPlan("-lit", "6k", "-dark", "8k")
	assert.Contains(t, out, "6.8 kohm, the nearest E24 value")

	// What was not said is taken from an example, so what was taken is told.
	_, out, _ = runPlan("-lit", "2k")
	assert.Contains(t, out, "sensor              2 kohm lit, 8 kohm dark, noise of 2 counts\n")
	// Whole counts are never quieter than their rounding: 71/2 counts by 1/sqrt(12).
	for _, quiet := range []string{"0", "0.001"} {
		_, out, errOut = runPlan("-fixed", "10k", "-noise", quiet)
		assert.Contains(t, out, "noise of 0.29 counts, which rounding alone makes\n", errOut)
		assert.Contains(t, out, "noise margin        123.")
	}
	_, out, _ = runPlan("-lit", "2k")
	assert.Contains(t, out, "mean current        4.14 mA: 80 mA for 3 s every 60 s, else 0.15 mA\n")
	_, out, _ = runPlan("-mean", "4")
	assert.Contains(t, out, "mean current        4 mA\n")

	code, out, errOut = runPlan("-mean", "4", "-sleep", "1", "-awake", "2s")
	assert.Equal(t, exitUsage, code)
	assert.Empty(t, out)
	assert.Contains(t, errOut, "leave out -awake and -sleep, or -mean")
	code, _, errOut = runPlan("-mean", "0", "-sleep", "1")
	assert.Equal(t, exitOK, code, errOut)

	// 2,500 mAh at 4 mA last 20.8 days at a derating of 0.8, and 26.0 without.
	_, out, _ = runPlan("-capacity", "2500", "-mean", "4")
	assert.Contains(t, out, "20.8 days")
	_, out, _ = runPlan("-mean", "4", "-derate", "1")
	assert.Contains(t, out, "26.0 days")
	_, out, _ = runPlan("-mean", "0.1")
	assert.Contains(t, out, "self-discharge")
	_, out, _ = runPlan("-lit", "100", "-reference", "1.1")
	assert.Contains(t, out, "CAUTION: the converter is full")
	_, out, _ = runPlan("-dark", "6.05k")
	assert.Contains(t, out, "This is faint")
}

// What a maker must know before he connects it; the sums are Ohm's law.
func TestPlanWarns(t *testing.T) {
	notUnderRace(t)
	for _, c := range []struct {
		args string
		want string
	}{
		{"", "draws               up to 0.26 mA while it is fed"}, // 3.3 V over 6 + 6.8 kohm
		// 2,000 mAh over 0.011 mA is 20.5 years, over 0.269 mA 310 days.
		{"-sleep 0.01 -active 20 -awake 200ms -every 1h", "0.26 mA the battery lasts about 310 days"},
		{"-sleep 0.01 -active 20 -awake 200ms -every 1h", "20 mA for 0.2 s every 60 min"},
		{"-supply 12", "CAUTION: no board's analogue input takes 12 V"},
		{"-lit 5 -dark 10", "CAUTION: that is more than a pin"}, // 3.3 V over 11.8 ohm is 280 mA
		{"-lit 5 -dark 10", "draws               up to 280 mA while"},
		{"-lit 100M -dark 200M", "draws               up to 0.013 uA while"}, // 3.3 V over 250 Mohm
		{"-lit 1M -dark 5M", "NOTE: the converter sees up to 1.53 Mohm"},     // 5 and 2.2 Mohm in parallel
		{"-fixed 1", "take a fixed resistor nearer to 6.8 kohm"},
		{"-dark 6.02k -noise 0.05", "This is faint"}, // one count
		{"-capacity 2.5", "NOTE: that is under a day. Capacity is in mAh"},
		{"-capacity 2.5", "lasts about         29 min"}, // 2 mAh over 4.14 mA
		{"-sleep 150", "NOTE: that is under a day"},
		{"-sleep 150 -capacity 25000", "NOTE: asleep it takes as much as awake"},
	} {
		code, out, errOut := runPlan(strings.Fields(c.args)...)
		require.Equal(t, exitOK, code, errOut)
		assert.Contains(t, out, c.want, c.args)
	}
	_, out, _ := runPlan("-mean", "4")
	assert.NotContains(t, out, "The divider is not in this", "what was measured holds it")
	_, out, _ = runPlan()
	for _, no := range []string{"NOTE", "CAUTION:", "faint"} {
		assert.NotContains(t, out, no, "the example is as it should be")
	}
}

// The sums are those of TestByDay.
func TestPlanByDay(t *testing.T) {
	notUnderRace(t)
	// 6 and 8 kohm over 6.8 kohm, at 3 kohm by day. derived: with exponent 0.9 lit is 2,695 ohm, with 0.6
	// r is 0.195020 * 0.615271 = 0.119990 over 1, so 3,000 * exp(-0.6 * 0.113320) = 2,803 ohm.
	code, out, errOut := runPlan("-lit", "6k", "-dark", "8k", "-day", "3k", "-noise", "4")
	require.Equal(t, exitOK, code, errOut)
	assert.Contains(t, out, "\n\nDaylight\n  sensor              3 kohm with the lamp dark, which reads 711 counts\n")
	assert.Contains(t, out, "  swing               15 counts if the photoresistor's exponent (gamma in its data sheet) is 0.6, 23 if 0.9;\n"+
		"                      without daylight 74\n") // 1024*6.8/9.803 and 1024*6.8/9.495, less 1024*6.8/9.8
	assert.Contains(t, out, "noise margin        1.8 standard deviations at worst")
	assert.Contains(t, out, "faint by day: shade or shield")
	// 3,000/5,803 less 3,000/6,000 of 1024 are 17.4; 3,000/9,000 less 3,000/11,000 are 62.1.
	assert.Contains(t, out, "A smaller fixed resistor helps: with 3 kohm the swing is 17 counts by day at worst, 62 without daylight.")

	for args, want := range map[string]string{
		"-day 1k":           "A smaller fixed resistor alone is not enough",
		"-day 3k":           "A smaller fixed resistor helps",
		"-day 3k5 -noise 4": "This works by day; a hood",
		"-day 5k":           "This is plenty by day",
		"-day 500":          "This is faint by day",
		"-day 9k":           "-day is mostly smaller than -dark",
		"-day 8k":           "is 0.6, 74 if 0.9;\n                      without daylight 74\n",
		"-noise 0 -day 2k":  "under a fifth",
		"-lit 2k -dark 8k -reference 2.5 -fixed 5k -day 300": "CAUTION: in daylight the converter is full",
	} {
		code, out, errOut = runPlan(strings.Fields(args)...)
		require.Equal(t, exitOK, code, errOut)
		assert.Contains(t, out, want, args)
	}

	// Nothing else depends on it, and without it nothing is said of daylight.
	_, without, _ := runPlan("-lit", "6k", "-dark", "8k")
	assert.NotContains(t, without, "aylight")
	_, with, _ := runPlan("-lit", "6k", "-dark", "8k", "-day", "3k")
	before, rest, ok := strings.Cut(with, "\nDaylight\n")
	require.True(t, ok)
	_, after, ok := strings.Cut(rest, "\nBattery\n")
	require.True(t, ok)
	assert.Equal(t, without, before+"\nBattery\n"+after)
	_, none, _ := runPlan("-lit", "6k", "-dark", "8k", "-day", "0")
	assert.Equal(t, without, none)
}

func TestPlanRefusesNonsense(t *testing.T) {
	for _, c := range []struct {
		args []string
		want []string
	}{
		{[]string{"-lit", "-6k"}, []string{"lit resistance must be over 0 ohm"}},
		{[]string{"-day", "-3k"}, []string{"dark resistance by day must be over 0 ohm"}},
		{[]string{"-day", "bright"}, []string{"6800, 6.8k, 6k8 or 1M"}},
		{[]string{"-lit", "8k", "-dark", "6k", "-day", "3k"}, []string{"only if the lamp adds light"}},
		{[]string{"-every", "0s"}, []string{"report interval must be over 0 s"}},
		{[]string{"-every", "2s"}, []string{"cannot report every 2s"}},
		{[]string{"-lit", "6k", "-dark", "6k"}, []string{"does not see the lamp"}},
		{[]string{"-lit", "abc"}, []string{"6800, 6.8k, 6k8 or 1M"}},
		{[]string{"-bits", "0"}, []string{"-bits cannot be 0"}},
		{[]string{"-bits", "60"}, []string{"1 to 24 bits"}},
		{[]string{"-capacity", "0"}, []string{"capacity must be over 0 mAh"}},
		{[]string{"-derate", "2"}, []string{"share over 0, at most 1"}},
		{[]string{"-mean", "-4"}, []string{"mean current must be over 0 mA"}},
		{[]string{"-dark", "-1", "-capacity", "-1", "-noise", "-1"}, []string{"dark resistance", "capacity", "noise"}},
		{[]string{"-supply", "3300"}, []string{"3300 mV are 3.3 V", "mains"}},
		{[]string{"-supply", "230"}, []string{"mains"}},
		{[]string{"spare"}, []string{`"spare" is too much`}},
	} {
		code, out, errOut := runPlan(c.args...)
		assert.Equal(t, exitUsage, code, "%v", c.args)
		assert.Empty(t, out, "%v", c.args)
		for _, w := range c.want {
			assert.Contains(t, errOut, w, "%v", c.args)
		}
	}
}

func TestPlanHelp(t *testing.T) {
	code, out, errOut := runPlan("-help")
	assert.Equal(t, exitOK, code)
	assert.Empty(t, errOut)
	for _, w := range []string{"examples:", "-lit OHM", "-every TIME", "-mean MA"} {
		assert.Contains(t, out, w)
	}
}

func TestParseOhms(t *testing.T) {
	for s, want := range map[string]float64{
		"680": 680, "6.8k": 6800, "6k8": 6800, "1M": 1e6, "4M7": 4.7e6, "4R7": 4.7, "10 kohm": 10e3, "10kΩ": 10e3, "0": 0, "1e4": 1e4,
	} {
		v, err := parseOhms(s)
		require.NoError(t, err, s)
		assert.InEpsilon(t, want+1, v+1, 1e-12, s)
	}
	for _, s := range []string{"", "k", "6.8k2", "6kk", "inf", "NaN", "6m", "six"} {
		_, err := parseOhms(s)
		assert.Error(t, err, s)
	}
}
