package page

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// wellFormed reads a drawing as XML, which fails on the first mistake.
func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if err == io.EOF {
			return
		}
		require.NoError(t, err, "%.400s", svg)
	}
}

func TestTraceOfAnything(t *testing.T) {
	lamps := []Lamp{{Name: nasty}, {Name: "a", OnAbove: 470, OffBelow: 380}, {Name: "b", OnAbove: 380, OffBelow: 470, Inverted: true}, {Name: "c", OnAbove: -1e9, OffBelow: -1e9, ByHand: true}}
	for name, points := range map[string][]Point{
		"none": nil, "one": {{At: now, Min: 5, Mean: 5, Max: 5, Count: 1}},
		"flat": {{At: now, Min: 5, Mean: 5, Max: 5, Count: 1}, {At: now.Add(time.Minute), Min: 5, Mean: 5, Max: 5, Count: 1}},
		"huge": {{At: now, Min: -1e300, Mean: 0, Max: 1e300, Count: 9}, {At: now.Add(time.Second), Min: 0, Mean: 1, Max: 2, Count: 1}, {At: now.Add(2 * time.Second), Mean: math.MaxFloat64, Count: 1}},
		"tiny": {{At: now, Mean: 5e-324, Max: 5e-324, Count: 1}},
	} {
		for _, l := range lamps {
			d := traceData{lamp: l, points: points, from: now.Add(-time.Hour), to: now.Add(time.Hour), zone: time.UTC,
				states: []stretch{{nasty, now, now.Add(time.Minute)}}, marks: []mark{{1, "lit", now}}}
			c := drawTrace(d)
			wellFormed(t, string(c.Labels))
			wellFormed(t, string(c.Plot))
			assert.NotContains(t, string(c.Plot), "NaN", name)
			assert.NotContains(t, string(c.Plot), "Inf", name)
			h := drawHistogram(points, l)
			wellFormed(t, string(h.Plot))
			wellFormed(t, string(drawAim(l)))
		}
	}
}

// A trace without a reading, and without levels, has no counts at its side.
func TestTraceOfNothing(t *testing.T) {
	d := traceData{lamp: Lamp{Name: "tank"}, from: now.Add(-time.Hour), to: now, zone: time.UTC}
	assert.NotContains(t, drawTrace(d).Labels, "<text")
	d.lamp.OnAbove, d.lamp.OffBelow = 470, 380
	assert.Contains(t, drawTrace(d).Labels, ">400<")
}

// What a screen reader says of one reading and one change is in the singular.
func TestTraceOfOne(t *testing.T) {
	points := []Point{{At: now, Min: 5, Mean: 5, Max: 5, Count: 1}}
	d := traceData{lamp: Lamp{Name: "tank"}, points: points, from: now.Add(-time.Hour), to: now, zone: time.UTC, marks: []mark{{1, "lit", now}}}
	assert.Contains(t, drawTrace(d).Plot, ": 1 reading between 5 and 5 counts, 1 change, listed below.")
	assert.Contains(t, drawHistogram(points, Lamp{}).Plot, "Histogram of 1 reading between")
	assert.Contains(t, drawHistogram(points, Lamp{}).Plot, ": 1 reading</title>")
	points[0].Count, d.marks = 2, nil
	assert.Contains(t, drawTrace(d).Plot, ": 2 readings between 5 and 5 counts, 0 changes, listed below.")
}

// A line is not drawn over a gap, for nobody knows what was in it.
func TestGaps(t *testing.T) {
	var points []Point
	for i := range 20 {
		if i < 8 || i > 14 {
			points = append(points, Point{At: now.Add(time.Duration(i) * time.Minute), Count: 1})
		}
	}
	r := runs(points)
	require.Len(t, r, 2)
	assert.Len(t, r[0], 8)
	assert.Len(t, r[1], 5)
}

func TestTicks(t *testing.T) {
	assert.Equal(t, []float64{200, 300, 400, 500, 600}, ticks(170, 650, 5))
	assert.Equal(t, []float64{-0.5, 0, 0.5}, ticks(-0.7, 0.7, 3))
	assert.Equal(t, "0", count(ticks(-0.08, 1.08, 3)[0]), "not -0")
	assert.Empty(t, ticks(math.Inf(-1), 1, 5))
	assert.Empty(t, ticks(1, 1, 5))
}

// Days are the reader's days, also over a change of summer time: in Lisbon
// 29 March 2026 has 23 hours (IANA time zone database).
func TestTimeTicks(t *testing.T) {
	z, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	from := time.Date(2026, 3, 28, 12, 0, 0, 0, z)
	list := timeTicks(from, from.AddDate(0, 0, 4), 6, z)
	require.Len(t, list, 4)
	for i, k := range list {
		assert.Equal(t, 0, k.at.Hour())
		assert.Equal(t, 29+i, k.at.AddDate(0, 0, 0).YearDay()-59)
	}
	assert.Equal(t, 23*time.Hour, list[1].at.Sub(list[0].at))
	for _, d := range []time.Duration{time.Minute, time.Hour, 6 * time.Hour, 24 * time.Hour, 7 * 24 * time.Hour, 30 * 24 * time.Hour, 365 * 24 * time.Hour} {
		n := len(timeTicks(from, from.Add(d), 6, z))
		assert.True(t, n >= 1 && n <= 8, "%s: %d ticks", d, n)
	}
}

func TestTallies(t *testing.T) {
	at := func(h float64) time.Time { return now.Add(time.Duration(h * float64(time.Hour))) }
	events := []Event{ // newest first
		{Time: at(20), Kind: "lit"}, {Time: at(13), Kind: "dark"}, {Time: at(12.5), Kind: "fault"}, {Time: at(12), Kind: "lit"},
		{Time: at(5), Kind: "dark"}, {Time: at(4), Kind: "lit"}, {Time: at(2), Kind: "learned", State: "dark"},
	}
	list := stretches(events, "", at(0), at(24))
	assert.Equal(t, []stretch{{"learning", at(0), at(2)}, {"dark", at(2), at(4)}, {"lit", at(4), at(5)}, {"dark", at(5), at(12)},
		{"lit", at(12), at(13)}, {"dark", at(13), at(20)}, {"lit", at(20), at(24)}}, list)
	got := tallies(list)
	require.Len(t, got, 2)
	assert.Equal(t, tally{State: "lit", Times: 3, Total: 6 * time.Hour, Share: 6.0 / 22, Mean: time.Hour, Longest: 4 * time.Hour, Between: 8 * time.Hour}, got[0])
	assert.Equal(t, 16*time.Hour, got[1].Total)
	assert.Len(t, sums(got), 7)
	// Whatever comes, the stretches fill the time without a gap.
	odd := stretches([]Event{{Time: at(30), Kind: "lit"}, {Time: at(-5), Kind: "dark"}, {Time: at(3), Kind: "blinking"}}, "lit", at(0), at(24))
	assert.Equal(t, at(0), odd[0].From)
	for i := 1; i < len(odd); i++ {
		assert.Equal(t, odd[i-1].To, odd[i].From)
	}
	assert.Equal(t, at(24), odd[len(odd)-1].To)
}

func TestWords(t *testing.T) {
	w := words{now: now, zone: time.UTC}
	assert.Equal(t, "10:59", w.Stamp(now.Add(-time.Minute)))
	assert.Equal(t, "Fri 11:00", w.Stamp(now.Add(-24*time.Hour)))
	assert.Equal(t, "12 Apr 11:00", w.Stamp(now.Add(-20*24*time.Hour)))
	assert.Equal(t, "2 May 2025 11:00", w.Stamp(now.AddDate(-1, 0, 0)))
	assert.Equal(t, "never", w.Stamp(time.Time{}))
	assert.Equal(t, "in 2 h", w.Ago(now.Add(2*time.Hour)))
	for d, want := range map[time.Duration]string{90 * time.Second: "90 s", time.Hour: "60 min", 150 * time.Minute: "2 h 30 min", 50 * time.Hour: "2 d 2 h", 100 * 24 * time.Hour: "100 days", -1: "0 s"} {
		assert.Equal(t, want, Long(d))
	}
	assert.Equal(t, "99.5 %", percent(0.995))
	assert.Equal(t, "under 1 %", percent(0.001))
	assert.Equal(t, "100 %", percent(1))
	for v, want := range map[float64]string{640: "640", 640.4: "640", 12.34: "12.3", 1.234: "1.23", -0.5: "-0.50", 1e300: "1e+300"} {
		assert.Equal(t, want, count(v))
	}
}

// A trace that begins before the lamp's first reading does not show the lamp as being
// learned in the days in which nothing was read.
func TestNothingIsLearnedBeforeTheFirstReading(t *testing.T) {
	strips := func(f *fake, span string) string {
		var all []string
		for _, m := range regexp.MustCompile(`<rect class="strip strip-[^>]*><title>([^<]*)</title>`).FindAllStringSubmatch(get(newServer(t, f, nil), "/lamp?name=tank&span="+span).Body.String(), -1) {
			all = append(all, m[1])
		}
		return strings.Join(all, "; ")
	}
	f := newFake() // an hour of readings until 11:00
	f.events = []Event{{Row: 1, Time: now.Add(-30 * time.Minute), Kind: "learned", State: "dark", Lamp: "tank"}}
	assert.Equal(t, "learning from 2 May 10:00 to 2 May 10:30; dark from 2 May 10:30 to 2 May 11:00", strips(f, "7d"))
	f.events[0].Time = now.Add(-2 * time.Hour) // of which the readings are gone
	assert.Equal(t, "dark from 2 May 09:00 to 2 May 11:00", strips(f, "7d"))
	f.events[0].Time = now.Add(-8 * 24 * time.Hour)
	assert.Equal(t, "dark from 25 Apr 11:00 to 2 May 11:00", strips(f, "7d"), "it was known before")
	f.events, f.points = nil, nil
	assert.Equal(t, "learning from 25 Apr 11:00 to 2 May 11:00", strips(f, "7d"))
}

// Levels set by hand are where a side begins, and not where the readings of lit and dark
// lie: the aim view draws no such hump, and says so of the numbers.
func TestAimByHand(t *testing.T) {
	for _, x := range []struct {
		inverted  bool
		on, off   float64
		lit, dark string // as they are called
		litStands string
	}{
		{false, 1800, 1700, "lit above", "dark below", "start"},
		{true, 400, 500, "lit below", "dark above", "end"},
		{false, 900, 900, "lit above", "dark below", "start"},
		{true, 900, 900, "lit below", "dark above", "end"},
	} {
		l := Lamp{Name: "freezer", State: "dark", At: time.Unix(1, 0), Value: 1482, OnAbove: x.on, OffBelow: x.off, Inverted: x.inverted, ByHand: true,
			Aim: Aim{Dark: x.off, Lit: x.on, Noise: 12}}
		plot := string(drawAim(l))
		wellFormed(t, plot)
		assert.NotContains(t, plot, "hump")
		assert.Equal(t, 2, strings.Count(plot, `<line class="level `))
		assert.Contains(t, plot, fmt.Sprintf("it is %s %s and %s %s.", x.lit, count(x.on), x.dark, count(x.off)))
		assert.Regexp(t, fmt.Sprintf(`text-anchor="%s"> lit</text>`, x.litStands), plot)
		f := newFake()
		f.st.Lamps = []Lamp{l}
		page := get(newServer(t, f, nil), "/aim?name=freezer").Body.String()
		assert.Contains(t, page, fmt.Sprintf("<dt>%s</dt><dd>%s</dd>", x.dark, count(x.off)))
		assert.Contains(t, page, fmt.Sprintf("<dt>%s</dt><dd>%s</dd>", x.lit, count(x.on)))
		l.ByHand = false
		assert.Contains(t, string(drawAim(l)), "hump", "learned levels are where the readings lie")
	}
}

// Two levels that are close are named side by side, not one over the other.
func TestAimWordsApart(t *testing.T) {
	word := func(l Lamp, name string) string {
		for _, m := range regexp.MustCompile(`<text class="aim-word"[^>]*text-anchor="(\w+)">([^<]*)</text>`).FindAllStringSubmatch(string(drawAim(l)), -1) {
			if strings.TrimSpace(m[2]) == name {
				return m[1]
			}
		}
		return ""
	}
	for _, x := range []struct {
		darkAt, litAt, value float64
		dark, lit            string
	}{
		{200, 600, 210, "middle", "middle"},
		{200, 220, 900, "end", "start"},
		{220, 200, 900, "start", "end"}, // reads lower when lit
	} {
		l := Lamp{Value: x.value, Aim: Aim{Dark: x.darkAt, Lit: x.litAt, Noise: 2}}
		assert.Equal(t, x.dark, word(l, "dark"), x)
		assert.Equal(t, x.lit, word(l, "lit"), x)
	}
}
