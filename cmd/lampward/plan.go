package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"lampward/rules/bench"
	"lampward/rules/learn"
)

var planCommand = command{
	name: "plan", brief: "the sums before you build: resistor, counts, battery life against report interval", usage: "[flags]",
	about: `
Plan does the bench sums for a light sensor in a voltage divider and a board on
a battery. Measure the sensor's resistance over the appliance's lamp twice, with
the lamp lit and dark, in the light that the room has, and give both. Ohms may
be written 6800, 6.8k, 6k8 or 1M. The wiring taken: supply, sensor, input of
the converter, fixed resistor, ground; so lit reads higher.

A photoresistor answers to light less and less the more there is, so by day the
lamp swings fewer counts. If daylight gets to the sensor, measure a third time, at
the brightest hour with the lamp dark, and give that as -day.

What you do not give is taken from an example, and shown with the result.
Only the difference between lit and dark matters: lampward learns both levels
by itself and needs no threshold.

examples:
  lampward plan -lit 6k -dark 8k
  lampward plan -lit 6k -dark 8k -fixed 10k -bits 12 -noise 8
  lampward plan -lit 6k -dark 8k -day 3k
  lampward plan -capacity 2500 -mean 4.5
  lampward plan -capacity 2500 -sleep 0.15 -active 80 -awake 3s -every 60s`,
}

func init() {
	planCommand.run = func(_ context.Context, c console, f *flag.FlagSet, args []string) int {
		d := bench.Divider{Lit: 6000, Dark: 8000}
		f.Var((*ohms)(&d.Lit), "lit", "the sensor's resistance with the lamp lit, in `OHM`")
		f.Var((*ohms)(&d.Dark), "dark", "the sensor's resistance with the lamp dark, in `OHM`")
		f.Var((*ohms)(&d.Day), "day", "its resistance with the lamp dark at the brightest hour of the day, in `OHM`; 0: no daylight gets there")
		f.Var((*ohms)(&d.Fixed), "fixed", "the fixed resistor, in `OHM`; 0: the E24 value with about the widest swing")
		f.IntVar(&d.Bits, "bits", 10, "`BITS` of the analogue-to-digital converter")
		f.Float64Var(&d.Supply, "supply", 3.3, "`VOLTS` across the divider")
		f.Float64Var(&d.Reference, "reference", 0, "`VOLTS` at which the converter is full; 0: the supply")
		f.Float64Var(&d.Noise, "noise", 2, "noise of a reading, one standard deviation, in `COUNTS`")
		s := bench.Supply{}
		f.Float64Var(&s.CapacityMAh, "capacity", 2500, "the battery's rated capacity in `MAH`")
		f.Float64Var(&s.Derate, "derate", 0.8, "usable `SHARE` of it")
		f.Float64Var(&s.MeanMA, "mean", 0, "mean current in `MA`, as measured; 0: from sleep, active, awake and every")
		f.Float64Var(&s.SleepMA, "sleep", 0.15, "current between reports in `MA`")
		f.Float64Var(&s.ActiveMA, "active", 80, "current while awake in `MA`")
		f.DurationVar(&s.Awake, "awake", 3*time.Second, "`TIME` awake for one report")
		f.DurationVar(&s.Every, "every", time.Minute, "`TIME` from report to report")
		if code, ok := planCommand.parse(c, f, args, 0); !ok {
			return code
		}
		var err error
		if s.MeanMA != 0 {
			err = besideMean(f)
		}
		if err == nil {
			err = planBench(c.out, d, s)
		}
		if err != nil {
			for _, line := range strings.Split(err.Error(), "\n") {
				fmt.Fprintf(c.err, "lampward plan: %s\n", line)
			}
			fmt.Fprintln(c.err, "lampward plan: `lampward help plan` shows what each flag takes")
			return exitUsage
		}
		return exitOK
	}
}

// besideMean refuses what would have no say beside a measured mean current.
func besideMean(f *flag.FlagSet) error {
	var idle []string
	f.Visit(func(x *flag.Flag) {
		if slices.Contains([]string{"sleep", "active", "awake", "every"}, x.Name) {
			idle = append(idle, "-"+x.Name)
		}
	})
	if len(idle) == 0 {
		return nil
	}
	return fmt.Errorf("-mean is the current as measured, at the interval that the board has; leave out %s, or -mean", strings.Join(idle, " and "))
}

// Limits of what a maker's board bears; common practice, no source.
const (
	mostSupply  = 60.0  // V; more is no extra-low voltage that a maker may handle
	boardSupply = 5.5   // V; more than this no board's analogue input takes
	pinCurrent  = 10.0  // mA; more than this neither a pin nor a photoresistor should carry
	highOhms    = 100e3 // ohm; a converter's input that is fed through more reads amiss
	fewCounts   = 3.0   // counts of swing that rounding may hide

	// Counts, one standard deviation: whole counts are never quieter, 1/sqrt(12) by
	// rounding alone (Bennett, Spectra of Quantized Signals, 1948, from memory).
	rounding = 0.2887
)

// planBench prints the sums, or returns every mistake in the input.
func planBench(out io.Writer, d bench.Divider, s bench.Supply) error {
	noise := "noise of %g counts"
	if d.Noise >= 0 && d.Noise < rounding {
		d.Noise, noise = rounding, "noise of %.2g counts, which rounding alone makes"
	}
	r, err := d.Work()
	var swings []float64
	var byDay bench.Reading
	if d.Day != 0 && err == nil {
		byDay, swings, err = faintest(d)
	}
	days, lifeErr := s.Life()
	// Zero means a default to package bench, but on the command line it was
	// written there by somebody.
	for _, z := range []struct {
		flag string
		v    float64
	}{{"bits", float64(d.Bits)}, {"supply", d.Supply}, {"derate", s.Derate}} {
		if z.v == 0 {
			err = errors.Join(err, fmt.Errorf("-%s cannot be 0", z.flag))
		}
	}
	if d.Supply > mostSupply {
		err = errors.Join(err, fmt.Errorf("the supply of a divider is a few volts, not %g; 3300 mV are 3.3 V, and never connect it to mains", d.Supply))
	}
	if lifeErr == nil && s.MeanMA == 0 && s.Every <= s.Awake {
		lifeErr = fmt.Errorf("a board that is awake for %v cannot report every %v; make -every longer or -awake shorter, or give -mean", s.Awake, s.Every)
	}
	if err = errors.Join(err, lifeErr); err != nil {
		return err
	}
	rows, err := bench.TradeOff(s, bench.Intervals)
	if err != nil {
		return err
	}
	mean, err := s.Mean()
	if err != nil {
		return err
	}
	p := func(format string, args ...any) { fmt.Fprintf(out, format+"\n", args...) }

	p("Divider")
	p("  sensor              %s lit, %s dark, "+noise, showOhms(d.Lit), showOhms(d.Dark), d.Noise)
	p("  widest swing with   %s (the geometric mean of both resistances)", showOhms(r.Best))
	if d.Fixed == 0 {
		p("  take                %s, the nearest E24 value", showOhms(r.Fixed))
	} else {
		p("  with yours          %s", showOhms(r.Fixed))
	}
	p("  lit, dark           %.0f and %.0f counts of %d", r.Lit, r.Dark, 1<<d.Bits)
	p("  swing               %.0f counts; at best %.0f", r.Swing, r.Most)
	p("  noise margin        %.1f standard deviations from a level midway; a single reading is wrong %s", r.Margin, chance(r.WrongEach))
	drawn := 1000 * d.Supply / (math.Min(d.Lit, d.Dark) + r.Fixed) // mA, at most
	p("  draws               up to %s while it is fed", showCurrent(drawn))
	if d.Supply > boardSupply {
		p("  CAUTION: no board's analogue input takes %g V. Feed the divider from the board's own", d.Supply)
		p("  supply, and never from mains.")
	}
	if drawn > pinCurrent {
		p("  CAUTION: that is more than a pin or a photoresistor should carry. Put a resistor in")
		p("  series with the sensor, and check how you measured it: an LDR has some kohm in light.")
	}
	if source := r.Fixed * math.Max(d.Lit, d.Dark) / (r.Fixed + math.Max(d.Lit, d.Dark)); source > highOhms {
		p("  NOTE: the converter sees up to %s; many read amiss above some ten kohm. Put", showOhms(source))
		p("  100 nF across the fixed resistor and let the divider settle before the reading, and take")
		p("  a smaller fixed resistor if the readings disagree with these sums.")
	}
	if d.Lit > d.Dark {
		p("  NOTE: a photoresistor conducts better in light, so -lit is mostly the smaller number.")
	}
	switch {
	case r.Clipped:
		p("  CAUTION: the converter is full at one level. Its input may not take more than its")
		p("  reference; lower the supply of the divider or the fixed resistor.")
	case r.Swing < r.Most/2 && r.Margin < 4:
		p("  This is faint: take a fixed resistor nearer to %s.", showOhms(bench.Nearest(r.Best)))
	case r.Margin < 2 || r.Swing < fewCounts:
		p("  This is faint: shade the sensor from the room, press it closer to the lamp, or average")
		p("  several samples into each report.")
	case r.Margin < 4:
		p("  This works; a hood against daylight makes it work sooner.")
	default:
		p("  This is plenty.")
	}
	if d.Day != 0 {
		planDay(p, d, r, byDay, swings)
	}
	p("")
	p("Battery")
	parts := ""
	if s.MeanMA == 0 {
		parts = fmt.Sprintf(": %g mA for %s every %s, else %g mA", s.ActiveMA, showSpan(s.Awake), showSpan(s.Every), s.SleepMA)
	}
	p("  mean current        %.3g mA%s", mean, parts)
	p("  lasts about         %s (%g mAh, %.0f %% of it usable)", showDays(days), s.CapacityMAh, s.Derate*100)
	switch {
	case days < 1:
		p("  NOTE: that is under a day. Capacity is in mAh (2.5 Ah are 2500), currents are in mA (150 uA are 0.15).")
	case s.MeanMA == 0 && s.SleepMA >= s.ActiveMA:
		p("  NOTE: asleep it takes as much as awake. Currents are in mA: 150 uA are 0.15.")
	}
	if s.MeanMA == 0 && drawn > mean/20 { // else it was measured, or hardly matters
		p("  The divider is not in this, if it is always fed: with its %s the battery lasts about %s.", showCurrent(drawn), showDays(days*mean/(mean+drawn)))
		p("  Feed it from a pin that the board switches on only for the reading.")
	}
	if days > 365 {
		p("  Over a year the battery's own self-discharge and age count too; do not trust more than that.")
	}
	p("")
	p("Report interval against everything else (no report lost)")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "every\tchange told\tat worst\tblinking told\tdead board told\tat first\tbattery\treadings/year\t")
	for _, row := range rows {
		life := showDays(row.Days)
		if s.MeanMA != 0 {
			life = "as measured"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%.0f\t\n", showSpan(row.Every), showSpan(row.Change), showSpan(row.ChangeMost),
			showSpan(row.Blink), showSpan(row.Silent), showSpan(row.SilentNew), life, row.Year)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	p("  change told: the second reading after it, on average; blinking told: %.1f readings on average,", bench.BlinkReadings)
	p("  if the interval is not a whole multiple of the blink period: then a blinking lamp reads steady, so")
	p("  let the board vary its interval by a second or two. dead board told: after a month without a lost")
	p("  report; at first: in its first hours.")
	p("")
	p("Cautions")
	p("  Leave the appliance closed: the sensor goes over the lamp's outside. Never wire anything to")
	p("  mains or inside an appliance; that is work for a licensed person under your local code. Keep the board")
	p("  and its battery dry and away from where water may run.")
	p("  Lithium cells burn: use protected ones, the charger made for them, no damaged or swollen cell, and do not")
	p("  charge them unattended or below freezing. Never short or reverse any battery.")
	p("  lampward is not a life-safety alarm.")
	return nil
}

// faintest works out the divider by day, for each exponent: the reading with the smallest
// swing, and all swings in counts.
func faintest(d bench.Divider) (least bench.Reading, swings []float64, err error) {
	for i, exponent := range bench.Exponents {
		r, err := d.ByDay(exponent)
		if err != nil {
			return least, nil, err
		}
		if i == 0 || r.Swing < least.Swing {
			least = r
		}
		swings = append(swings, r.Swing)
	}
	return least, swings, nil
}

// planDay prints what a divider does by day that reads r without daylight.
func planDay(p func(string, ...any), d bench.Divider, r, byDay bench.Reading, swings []float64) {
	p("")
	p("Daylight")
	p("  sensor              %s with the lamp dark, which reads %.0f counts", showOhms(d.Day), byDay.Dark)
	p("  swing               %s counts if the photoresistor's exponent (gamma in its data sheet) is %g, %s if %g;",
		showCounts(swings[0]), bench.Exponents[0], showCounts(swings[1]), bench.Exponents[1])
	p("                      without daylight %s", showCounts(r.Swing))
	p("  noise margin        %.1f standard deviations at worst; a single reading is wrong %s", byDay.Margin, chance(byDay.WrongEach))
	if d.Day > d.Dark {
		p("  NOTE: a photoresistor conducts better in light, so -day is mostly smaller than -dark.")
	}
	switch {
	case byDay.Clipped:
		p("  CAUTION: in daylight the converter is full, which hides the lamp or a part of its swing. Shade")
		p("  the sensor from daylight, or take a smaller fixed resistor.")
		return
	case byDay.Margin < 2 || byDay.Swing < fewCounts:
		p("  This is faint by day: shade or shield the sensor with a hood, a black tube, tape over the edge.")
	case byDay.Swing < learn.LeastShare*r.Swing:
		p("  This is under a fifth of the swing without daylight: lampward may not take it for the lamp. Shade or")
		p("  shield the sensor with a hood, a black tube, tape over the edge.")
	case byDay.Margin < 4:
		p("  This works by day; a hood against daylight makes it work sooner.")
	default:
		p("  This is plenty by day, too.")
		return
	}
	smaller := d
	smaller.Fixed = bench.Nearest(byDay.Best)
	day, _, err := faintest(smaller)
	night, nightErr := smaller.Work()
	if err != nil || nightErr != nil || smaller.Fixed >= r.Fixed || day.Swing < 1.1*byDay.Swing {
		return
	}
	helps := "A smaller fixed resistor helps"
	if day.Margin < 2 || day.Swing < fewCounts {
		helps = "A smaller fixed resistor alone is not enough"
	}
	p("  %s: with %s the swing is %s counts by day at worst, %s without daylight.",
		helps, showOhms(smaller.Fixed), showCounts(day.Swing), showCounts(night.Swing))
}

// showCounts writes few counts with their tenths.
func showCounts(c float64) string {
	if c < 9.95 {
		return fmt.Sprintf("%.1f", c)
	}
	return fmt.Sprintf("%.0f", c)
}

// ohms is a flag value such as 6800, 6.8k, 6k8 or 1M.
type ohms float64

func (o *ohms) String() string { return strconv.FormatFloat(float64(*o), 'g', -1, 64) }

func (o *ohms) Set(s string) error {
	v, err := parseOhms(s)
	*o = ohms(v)
	return err
}

func parseOhms(s string) (float64, error) {
	bad := fmt.Errorf("write a resistance such as 6800, 6.8k, 6k8 or 1M")
	t := strings.TrimSpace(s)
	for _, unit := range []string{"ohm", "Ohm", "Ω", "Ω"} {
		t = strings.TrimSpace(strings.TrimSuffix(t, unit))
	}
	factor := 1.0
	if i := strings.IndexAny(t, "kKMR"); i >= 0 {
		switch t[i] {
		case 'k', 'K':
			factor = 1e3
		case 'M':
			factor = 1e6
		}
		whole, rest := strings.TrimSpace(t[:i]), t[i+1:]
		if rest != "" {
			if strings.ContainsAny(whole, ".,") || strings.Trim(rest, "0123456789") != "" {
				return 0, bad
			}
			whole += "." + rest
		}
		t = whole
	}
	v, err := strconv.ParseFloat(t, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, bad
	}
	return v * factor, nil
}

func showOhms(r float64) string {
	switch {
	case r >= 1e6:
		return fmt.Sprintf("%.3g Mohm", r/1e6)
	case r >= 1e3:
		return fmt.Sprintf("%.3g kohm", r/1e3)
	}
	return fmt.Sprintf("%.3g ohm", r)
}

// showCurrent writes a current that is given in mA.
func showCurrent(mA float64) string {
	switch {
	case mA < 0.01:
		return fmt.Sprintf("%.2g uA", 1000*mA)
	case mA < 99.5:
		return fmt.Sprintf("%.2g mA", mA)
	}
	return fmt.Sprintf("%.0f mA", mA)
}

func showDays(d float64) string {
	switch {
	case d < 1.0/12:
		return fmt.Sprintf("%.3g min", d*24*60)
	case d < 2:
		return fmt.Sprintf("%.0f h", d*24)
	case d < 100:
		return fmt.Sprintf("%.1f days", d)
	case d < 730:
		return fmt.Sprintf("%.0f days", d)
	}
	return fmt.Sprintf("%.1f years", d/365)
}

func showSpan(d time.Duration) string {
	switch {
	case d < 10*time.Second && d%time.Second != 0:
		return fmt.Sprintf("%.3g s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 10*time.Minute:
		return strings.Replace(fmt.Sprintf("%.1f min", d.Minutes()), ".0 ", " ", 1)
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return strings.Replace(fmt.Sprintf("%.1f h", d.Hours()), ".0 ", " ", 1)
}

func chance(p float64) string {
	switch {
	case p >= 0.01:
		return fmt.Sprintf("%.0f times in 100", p*100)
	case p >= 1e-6:
		return fmt.Sprintf("once in %.0f", 1/p)
	}
	return "less than once in a million"
}
