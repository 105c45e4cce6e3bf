package silence

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"
)

// The lab runs simulated healthy boards past an estimator and counts false
// silences, then lets boards die and measures how long that takes to notice,
// against a clairvoyant that knows the distribution of the board's gaps.
//
//	LAMPWARD_DEVICE_YEARS=1000 go test ./rules/silence -run Lab -v

const (
	second = int64(1000)
	minute = 60 * second
	hour   = 60 * minute
	year   = 365 * dayMs
)

// family is one kind of board. next returns the time of the report after now.
type family struct {
	name string
	// next returns the gap to the next report, in ms, of a board that is i
	// reports old at time now.
	start func(r *rand.Rand) func(now int64) int64
	// clairvoyant returns the limit in ms that someone who knows start would
	// use for one false silence in every ms.
	clairvoyant func(every float64) float64
	excused     float64 // false silences a board that nobody could avoid, at most
}

// geometric returns the limit for losses that begin with chance p a report
// and go on with chance r, at period t and at most extra late.
func geometric(t, p, r, extra float64) func(float64) float64 {
	return func(every float64) float64 {
		k := 0.0
		for chance := p; chance/t > 1/every; chance *= r {
			k++
		}
		return t*(k+1) + extra
	}
}

func lossy(r *rand.Rand, p, on float64, gap func(now int64) int64) func(now int64) int64 {
	return func(now int64) int64 {
		g := gap(now)
		if r.Float64() < p {
			for {
				g += gap(now + g)
				if r.Float64() >= on {
					break
				}
			}
		}
		return g
	}
}

func around(r *rand.Rand, mean, sd int64) func(int64) int64 {
	return func(int64) int64 { return mean + int64(r.NormFloat64()*float64(sd)) }
}

func families() []family {
	return []family{
		{name: "regular", start: func(r *rand.Rand) func(int64) int64 {
			return around(r, minute, second)
		}, clairvoyant: geometric(60e3, 0, 0, 5e3)},
		{name: "jittery", start: func(r *rand.Rand) func(int64) int64 {
			return func(int64) int64 { return 35*second + r.Int64N(50*second) }
		}, clairvoyant: geometric(60e3, 0, 0, 25e3)},
		{name: "lossy", start: func(r *rand.Rand) func(int64) int64 {
			return lossy(r, 0.02, 0.02, around(r, minute, second))
		}, clairvoyant: geometric(60e3, 0.02, 0.02, 5e3)},
		{name: "burst loss", start: func(r *rand.Rand) func(int64) int64 {
			short := lossy(r, 0.01, 0.1, around(r, minute, second))
			return lossy(r, 0.0005, 0.75, short)
		}, clairvoyant: geometric(60e3, 0.0005, 0.75, 5e3)},
		{name: "heavy bursts", start: func(r *rand.Rand) func(int64) int64 {
			return func(int64) int64 {
				g := minute + int64(r.NormFloat64()*1000)
				if r.Float64() < 0.001 { // Pareto, exponent 2.5
					g += int64(60e3 * math.Pow(1-r.Float64(), -1/2.5))
				}
				return g
			}
		}, clairvoyant: func(every float64) float64 {
			return 60e3 + 60e3*math.Pow(0.001*every/60e3, 1/2.5)
		}},
		{name: "slow clock", start: func(r *rand.Rand) func(int64) int64 {
			return lossy(r, 0.002, 0.2, func(now int64) int64 {
				drift := 0.03*math.Sin(2*math.Pi*float64(now)/float64(dayMs)) + 0.1*float64(now%year)/float64(year)
				return int64(60e3*(1+drift)) + int64(r.NormFloat64()*500)
			})
		}, clairvoyant: geometric(66e3, 0.002, 0.2, 5e3)},
		{name: "changed interval", start: func(r *rand.Rand) func(int64) int64 {
			every := [...]int64{minute, 5 * minute, 20 * second, minute}
			return lossy(r, 0.002, 0.2, func(now int64) int64 {
				i := min(now/(60*dayMs), int64(len(every)-1))
				return every[i] + int64(r.NormFloat64()*500)
			})
		}, clairvoyant: geometric(60e3, 0.002, 0.2, 5e3), excused: 2},
		{name: "sleeps at night", start: func(r *rand.Rand) func(int64) int64 {
			return lossy(r, 0.002, 0.2, func(now int64) int64 {
				g := minute + int64(r.NormFloat64()*500)
				if at := mod(now, dayMs) / minute; at >= 23*60 || at < 5*60 {
					wake := now - mod(now, dayMs) + 7*hour + int64(r.NormFloat64()*float64(4*minute))
					if at >= 23*60 {
						wake += dayMs
					}
					g = max(g, wake-now)
				}
				return g
			})
		}, clairvoyant: geometric(60e3, 0.002, 0.2, 5e3), excused: 2},
		{name: "slower at night", start: func(r *rand.Rand) func(int64) int64 {
			return lossy(r, 0.002, 0.2, func(now int64) int64 {
				g := minute
				if h := mod(now, dayMs) / hour; h >= 23 || h < 7 {
					g *= 15
				}
				return g + int64(r.NormFloat64()*500)
			})
		}, clairvoyant: geometric(60e3, 0.002, 0.2, 5e3), excused: 3},
		{name: "duplicates", start: func(r *rand.Rand) func(int64) int64 {
			rest := int64(0)
			return func(int64) int64 {
				if rest > 0 {
					g := rest
					rest = 0
					return g
				}
				g := minute + int64(r.NormFloat64()*1000)
				if r.Float64() < 0.1 {
					d := 100 + r.Int64N(5000)
					rest = g - d
					return d
				}
				return g
			}
		}, clairvoyant: geometric(60e3, 0, 0, 5e3)},
		{name: "three at once", start: func(r *rand.Rand) func(int64) int64 {
			i := 0
			return func(int64) int64 {
				if i++; i%3 != 0 {
					return 50
				}
				return minute - 100 + int64(r.NormFloat64()*1000)
			}
		}, clairvoyant: geometric(60e3, 0, 0, 5e3)},
		{name: "at random", start: func(r *rand.Rand) func(int64) int64 {
			return func(int64) int64 { return int64(r.ExpFloat64() * 600e3) }
		}, clairvoyant: func(every float64) float64 { return 600e3 * math.Log(every/600e3) }},
		{name: "every 10 min", start: func(r *rand.Rand) func(int64) int64 {
			return lossy(r, 0.005, 0.2, around(r, 10*minute, 5*second))
		}, clairvoyant: geometric(600e3, 0.005, 0.2, 25e3)},
	}
}

// watcher is what the lab compares: an estimator or a baseline.
type watcher interface {
	Report(time.Time)
	Deadline() (time.Time, bool)
}

type outcome struct {
	years float64
	false int
	// delays from the last report until the death is noticed, by the board's
	// age at death: an hour, a day, 30 days, 180 days
	delay [len(ages)]time.Duration
}

var ages = [...]int64{hour, 36 * hour, 30*dayMs + 12*hour, 180*dayMs + 12*hour}

// live runs one board for span ms and counts its false silences. delay holds
// what the limit was when the board had the ages.
func live(w watcher, f family, seed uint64, span int64) (wrong, early int, delay [len(ages)]int64) {
	r := rand.New(rand.NewPCG(seed, 7))
	next := f.start(r)
	base := int64(1_800_000_000_000) + r.Int64N(dayMs)
	age := 0
	for now := int64(0); now < span; {
		at := time.UnixMilli(base + now).UTC()
		w.Report(at)
		due, ok := w.Deadline()
		for age < len(ages) && now >= ages[age] && ok {
			delay[age] = due.Sub(at).Milliseconds()
			age++
		}
		g := max(next(now), 1)
		if ok && time.UnixMilli(base+now+g).After(due) {
			wrong++
			if now < 30*dayMs {
				early++
			}
		}
		now += g
	}
	return wrong, early, delay
}

func deviceYears(def int) int {
	if n, err := strconv.Atoi(os.Getenv("LAMPWARD_DEVICE_YEARS")); err == nil && n > 0 {
		return n
	}
	return def
}

func TestLabTune(t *testing.T) {
	if os.Getenv("LAMPWARD_TUNE") == "" {
		t.Skip()
	}
	table(t, 1000, deviceYears(20))
}

func table(t *testing.T, seed uint64, years int) {
	const each = 2
	for _, f := range families() {
		var wrong, early, excused int
		var sum [len(ages)]float64
		boards := max(years/each, 1)
		for b := 0; b < boards; b++ {
			w, y, d := live(New(Config{}), f, seed+uint64(b), each*year)
			wrong += w
			early += y
			for i := range d {
				sum[i] += float64(d[i]) / 1000 / float64(boards)
			}
		}
		excused = int(f.excused * float64(boards))
		best := f.clairvoyant(float64(DefaultFalseEvery.Milliseconds())) / 1000
		line := fmt.Sprintf("%-18s %5d device-years, false %4d (%4d in the first 30 days; excused %4d, promised %6.1f), best %6.0f s, at", f.name, boards*each, wrong, early, excused, float64(boards*each)/5, best)
		for i, s := range sum {
			line += fmt.Sprintf(" %v: %6.0f s (%.1fx)", ms(ages[i]), s, s/best)
		}
		t.Log(line)
	}
}
