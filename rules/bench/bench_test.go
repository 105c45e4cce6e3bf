package bench

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestDividerAgainstTable(t *testing.T) {
	b, err := os.ReadFile("testdata/divider_battery.json")
	require.NoError(t, err)
	var table struct {
		Divider map[string]struct {
			Best     float64    `json:"Rf_opt"`
			Swing    float64    `json:"swing_opt"`
			Swing10k float64    `json:"swing_10k"`
			Counts10 float64    `json:"counts10_10k"`
			ADC10    [2]float64 `json:"adc10_10k"`
			ADC12    [2]float64 `json:"adc12_10k"`
		}
		Days map[string]float64 `json:"battery_days"`
	}
	require.NoError(t, json.Unmarshal(b, &table))
	require.Len(t, table.Divider, 6)
	for name, want := range table.Divider {
		var lit, dark float64
		_, err := fmt.Sscanf(strings.Replace(name, "/", " ", 1), "%g %g", &lit, &dark)
		require.NoError(t, err)
		for bits, adc := range map[int][2]float64{10: want.ADC10, 12: want.ADC12} {
			r, err := Divider{Lit: lit, Dark: dark, Fixed: 10_000, Bits: bits}.Work()
			require.NoError(t, err)
			assert.InDelta(t, want.Best, r.Best, 1e-6, name)
			assert.InDelta(t, adc[0], r.Lit, 0.006, name)
			assert.InDelta(t, adc[1], r.Dark, 0.006, name)
			full := math.Ldexp(1, bits)
			assert.InDelta(t, want.Swing*full, r.Most, 1e-6, name)
			assert.InDelta(t, want.Swing10k*full, r.Swing, 1e-6, name)
			if bits == 10 {
				assert.InEpsilon(t, want.Counts10, r.Swing, 0.0011, "full scale 1023 against 1024 steps")
			}
		}
	}
	for name, want := range table.Days {
		var capacity, mA, derate float64
		_, err := fmt.Sscanf(name, "%fmAh@%fmA x%f", &capacity, &mA, &derate)
		require.NoError(t, err)
		days, err := Supply{CapacityMAh: capacity, MeanMA: mA, Derate: derate}.Life()
		require.NoError(t, err)
		assert.InDelta(t, want, days, 1e-9, name)
	}
}

// TestBestFixedIsBest tries every resistor.
func TestBestFixedIsBest(t *testing.T) {
	swing := func(r float64) float64 { return math.Abs(Ratio(6000, r) - Ratio(8000, r)) }
	best := BestFixed(6000, 8000)
	assert.InDelta(t, 6928.2, best, 0.01)
	for r := 10.0; r < 1e7; r *= 1.01 {
		assert.LessOrEqual(t, swing(r), swing(best)+1e-15)
	}
	assert.InDelta(t, 0.0694, swing(10_000), 0.00005)
	assert.InDelta(t, 0.0718, swing(best), 0.00005)
}

func TestNearest(t *testing.T) {
	for r, want := range map[float64]float64{
		6928.2: 6800, 1: 1, 0.94: 0.91, 0.97: 1, 9.6: 10, 99.9e3: 100e3, 3162: 3300, 31622.8: 33e3, 4.5e6: 4.7e6, 14142: 15e3,
	} {
		assert.Equal(t, want, Nearest(r), r)
	}
	for r := 0.5; r < 1e8; r *= 1.003 {
		// Neighbours in E24 are at most 15 % apart (1.3 and 1.5).
		assert.InEpsilon(t, r, Nearest(r), 0.075)
	}
}

func TestMargin(t *testing.T) {
	r, err := Divider{Lit: 6000, Dark: 8000, Noise: 10}.Work()
	require.NoError(t, err)
	assert.Equal(t, 6800.0, r.Fixed)
	assert.Greater(t, r.Lit, r.Dark, "more light, more counts")
	assert.InDelta(t, r.Swing/20, r.Margin, 1e-12)
	// Normal tail beyond 3 and 4 standard deviations: 0.00135, 0.0000317
	// (tables of the normal distribution, from memory).
	assert.Less(t, r.WrongEach, 0.00135)
	assert.Greater(t, r.WrongEach, 0.0000317)
	r, err = Divider{Lit: 100, Dark: 8000, Fixed: 10_000, Supply: 3.3, Reference: 1.1}.Work()
	require.NoError(t, err)
	assert.True(t, r.Clipped)
}

// TestByDay checks daylight against examples worked by hand, derived from R = light^-exponent
// and from light that adds up.
func TestByDay(t *testing.T) {
	for _, c := range []struct {
		exponent, lit, dark, day float64
		fixed                    float64
		want                     float64 // ohm; lit, by day
		why                      string
	}{
		{1, 6000, 12000, 4000, 12000, 3000, "derived: 1/4 + 1/6 - 1/12 = 1/3"},
		{0.5, 12000, 20000, 20000, 10000, 12000, "derived: it is as light as without daylight"},
		{0.5, 12000, 20000, 8000, 10000, 120000. / 17, "derived: 1/64 + 1/144 - 1/400 = 1/64 + 1/225 = (17/120)^2"},
		// derived: r is 1/32, 1/243 and 1, so 1 + 1/32 - 1/243 = 1.0271348; ln is 0.0267732, by 0.6 0.0160639.
		{0.6, 8000, 27000, 1000, 6800, 984.064, "derived, by natural logarithms"},
		// derived: r(3/8) by ln 0.336280, r(8/6) 1.376642, so 1 + 0.336280 * 0.376642 = 1.126657; ln is 0.119255, by 0.9 0.107330.
		{0.9, 6000, 8000, 3000, 6800, 2694.69, "derived, by natural logarithms"},
	} {
		r, err := Divider{Lit: c.lit, Dark: c.dark, Day: c.day, Fixed: c.fixed}.ByDay(c.exponent)
		require.NoError(t, err, c.why)
		assert.InEpsilon(t, 1024*c.fixed/(c.fixed+c.want), r.Lit, 2e-6, c.why)
		assert.InEpsilon(t, 1024*c.fixed/(c.fixed+c.day), r.Dark, 1e-12, c.why)
		assert.Equal(t, c.fixed, r.Fixed)
		assert.InEpsilon(t, math.Sqrt(c.want*c.day), r.Best, 2e-6, "the widest swing is that by day")
	}
	r, err := Divider{Lit: 6000, Dark: 8000, Day: 3000}.ByDay(0.9)
	require.NoError(t, err)
	assert.Equal(t, 6800.0, r.Fixed, "the resistor is chosen without daylight")
}

// TestByDayLimits: derived.
func TestByDayLimits(t *testing.T) {
	d := Divider{Lit: 6000, Dark: 8000}
	night, err := d.Work()
	require.NoError(t, err)
	for _, exponent := range Exponents {
		d.Day = d.Dark
		r, err := d.ByDay(exponent)
		require.NoError(t, err)
		assert.InEpsilon(t, night.Swing, r.Swing, 1e-12, "no daylight: the swing without it")
		last := r.Swing
		for d.Day = 7900; d.Day > 100; d.Day *= 0.9 {
			r, err := d.ByDay(exponent)
			require.NoError(t, err)
			assert.Greater(t, r.Swing, 0.0)
			assert.Less(t, r.Swing, last, "the more light, the less swing")
			last = r.Swing
		}
		d.Day = 1e-30
		r, err = d.ByDay(exponent)
		require.NoError(t, err)
		assert.Zero(t, r.Swing, "in boundless light none")
		assert.True(t, r.Clipped)
		d.Day = 1e30
		r, err = d.ByDay(exponent)
		require.NoError(t, err)
		assert.Less(t, r.Dark, 1e-20)
		assert.False(t, math.IsNaN(r.Swing))
	}
	d.Day = 3000
	with, err := d.Work()
	require.NoError(t, err)
	assert.Equal(t, night, with, "Work is without daylight")
}

func TestMeanCurrent(t *testing.T) {
	s := Supply{CapacityMAh: 2500, SleepMA: 0.15, ActiveMA: 80, Awake: 3 * time.Second, Every: time.Minute}
	mean, err := s.Mean()
	require.NoError(t, err)
	assert.InDelta(t, 0.15*0.95+80*0.05, mean, 1e-12)
	days, err := s.Life()
	require.NoError(t, err)
	// About 20 days at 4 to 5 mA: common practice, no source.
	assert.InDelta(t, 20, days, 1)
	s.Every = 2 * time.Second
	mean, err = s.Mean()
	require.NoError(t, err)
	assert.Equal(t, 80.0, mean, "it never sleeps")
}

func TestNonsenseIsRefused(t *testing.T) {
	for _, d := range []Divider{
		{Lit: -1, Dark: 2}, {Lit: 1, Dark: 0}, {Lit: 5, Dark: 5}, {Lit: 1, Dark: 2, Fixed: -3}, {Lit: 1, Dark: 2, Bits: 99},
		{Lit: 1, Dark: 2, Bits: -1}, {Lit: math.NaN(), Dark: 2}, {Lit: math.Inf(1), Dark: 2}, {Lit: 1, Dark: 2, Supply: -3}, {Lit: 1, Dark: 2, Noise: -1},
	} {
		_, err := d.Work()
		assert.Error(t, err, "%+v", d)
	}
	for _, d := range []Divider{
		{Lit: 1, Dark: 2}, {Lit: 1, Dark: 2, Day: -1}, {Lit: 1, Dark: 2, Day: math.NaN()}, {Lit: 1, Dark: 2, Day: math.Inf(1)},
		{Lit: 2, Dark: 1, Day: 1}, {Lit: 1, Dark: 1, Day: 1}, {Lit: -1, Dark: 2, Day: 1},
	} {
		_, err := d.ByDay(0.7)
		assert.Error(t, err, "%+v", d)
	}
	_, err := Divider{Lit: 1, Dark: 2, Day: 1}.ByDay(0)
	assert.Error(t, err)
	ok := Supply{CapacityMAh: 2500, SleepMA: 1, ActiveMA: 80, Awake: time.Second, Every: time.Minute}
	for _, change := range []func(*Supply){
		func(s *Supply) { s.CapacityMAh = 0 }, func(s *Supply) { s.Derate = 1.2 }, func(s *Supply) { s.Derate = -1 },
		func(s *Supply) { s.MeanMA = -4 }, func(s *Supply) { s.Every = 0 }, func(s *Supply) { s.Awake = -1 },
		func(s *Supply) { s.ActiveMA = 0 }, func(s *Supply) { s.SleepMA = -1 },
	} {
		s := ok
		change(&s)
		_, err := s.Life()
		assert.Error(t, err, "%+v", s)
	}
	_, err = ok.Life()
	assert.NoError(t, err)
	_, err = TradeOff(Supply{}, Intervals)
	assert.Error(t, err)
}

// TestBlinkReadings works the sequential test's mean length out exactly, by
// following the distribution of its log likelihood ratio.
func TestBlinkReadings(t *testing.T) {
	const p0, p1, most = 0.01, 0.5, 400
	bound := math.Log((1 - 1e-4) / 1e-4)
	flip, same := math.Log(p1/p0), math.Log((1-p1)/(1-p0))
	alive := map[int]float64{0: 1} // by the number of flips; never ranged over in order-dependent sums that matter
	mean := 0.0
	for n := 1; n <= most; n++ {
		next := map[int]float64{}
		for k, p := range alive {
			for _, s := range []struct {
				k int
				p float64
			}{{k + 1, p * p1}, {k, p * (1 - p1)}} {
				l := float64(s.k)*flip + float64(n-s.k)*same
				if l >= bound || l <= -bound {
					mean += float64(n) * s.p
				} else {
					next[s.k] += s.p
				}
			}
		}
		alive = next
	}
	assert.InDelta(t, 6.786, mean, 0.001)
	assert.InDelta(t, BlinkReadings, mean, 0.02)
}

func TestTradeOff(t *testing.T) {
	s := Supply{CapacityMAh: 2500, SleepMA: 0.15, ActiveMA: 80, Awake: 12 * time.Second}
	rows, err := TradeOff(s, Intervals)
	require.NoError(t, err)
	require.Len(t, rows, len(Intervals)-1, "no sleep in ten seconds")
	for i, r := range rows {
		if i > 0 {
			assert.Greater(t, r.Days, rows[i-1].Days, "the rarer, the longer it lasts")
			assert.Less(t, r.Year, rows[i-1].Year)
		}
		assert.Greater(t, r.Silent, 2*r.Every)
		assert.LessOrEqual(t, r.Silent, max(6*r.Every, 3*time.Minute), "no sooner, for boards that are being aimed")
		assert.Less(t, r.SilentNew, 12*r.Every)
		assert.Less(t, r.ChangeMost, r.Silent)
	}
	assert.InDelta(t, 525_600, rows[1].Year, 0.1)
}
