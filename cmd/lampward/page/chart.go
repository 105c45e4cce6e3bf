package page

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"lampward/rules/span"
)

// Charts are SVG as wide as the page: places across are percentages, places
// down are pixels, so that text and lines keep their size on any screen.
// Colours come from the style sheet, by class.
const (
	plotHeight  = 220.0
	stripTop    = plotHeight + 8
	stripHeight = 18.0
	chartHeight = stripTop + stripHeight + 24
)

// chart is one drawing and what a script needs to know of its scale.
type chart struct {
	Labels template.HTML // the values at the left
	Plot   template.HTML
	Lo, Hi float64 // values at the bottom and at the top of the plot
	Height float64
	Desc   string // for those who do not see it
}

// svg builds a drawing; what it writes is numbers, its own words and escaped
// text.
type svg struct{ b strings.Builder }

func (s *svg) add(format string, args ...any) { fmt.Fprintf(&s.b, format, args...) }

func (s *svg) html() template.HTML { return template.HTML(s.b.String()) }

func esc(text string) string { return template.HTMLEscapeString(text) }

// num writes a coordinate.
func num(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	return strconv.FormatFloat(math.Round(v*100)/100, 'f', -1, 64)
}

// scale maps values to pixels from the top.
type scale struct{ lo, hi, height float64 }

func (s scale) y(v float64) float64 { return s.height * (s.hi - v) / (s.hi - s.lo) }

// around makes a scale with room above and below the values.
func around(lo, hi, height float64) scale {
	if lo > hi {
		lo, hi = 0, 1
	}
	room := (hi - lo) * 0.08
	if room == 0 {
		room = max(1, math.Abs(hi)*0.05)
	}
	return scale{lo - room, hi + room, height}
}

// ticks gives about n round values between lo and hi.
func ticks(lo, hi float64, n int) []float64 {
	span := (hi - lo) / float64(max(n, 1))
	if !(span > 0) || math.IsInf(span, 0) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(span)))
	for _, m := range []float64{1, 2, 5, 10} {
		if step*m >= span {
			step *= m
			break
		}
	}
	var out []float64
	for v := math.Ceil(lo/step) * step; v <= hi && len(out) < 50; v += step {
		out = append(out, math.Round(v/step)*step+0) // and not -0
	}
	return out
}

var timeSteps = []struct {
	step   time.Duration // of less than a day
	days   int
	months int
	format string
}{
	{time.Minute, 0, 0, "15:04"}, {2 * time.Minute, 0, 0, "15:04"}, {5 * time.Minute, 0, 0, "15:04"},
	{10 * time.Minute, 0, 0, "15:04"}, {15 * time.Minute, 0, 0, "15:04"}, {30 * time.Minute, 0, 0, "15:04"},
	{time.Hour, 0, 0, "15:04"}, {2 * time.Hour, 0, 0, "15:04"}, {3 * time.Hour, 0, 0, "15:04"}, {6 * time.Hour, 0, 0, "Mon 15:04"},
	{12 * time.Hour, 0, 0, "Mon 15:04"}, {0, 1, 0, "Mon 2"}, {0, 2, 0, "2 Jan"}, {0, 7, 0, "2 Jan"}, {0, 14, 0, "2 Jan"},
	{0, 0, 1, "Jan"}, {0, 0, 2, "Jan"}, {0, 0, 3, "Jan 2006"}, {0, 0, 12, "2006"},
}

// timeTick is a round moment and its label.
type timeTick struct {
	at    time.Time
	label string
}

// timeTicks gives at most n round moments of the reader's own clock.
func timeTicks(from, to time.Time, n int, zone *time.Location) []timeTick {
	from, to = from.In(zone), to.In(zone)
	for _, s := range timeSteps {
		length := s.step + time.Duration(s.days)*24*time.Hour + time.Duration(s.months)*30*24*time.Hour
		if to.Sub(from) > length*time.Duration(n) {
			continue
		}
		y, m, d := from.Date()
		at := time.Date(y, m, d, 0, 0, 0, 0, zone)
		next := func(t time.Time) time.Time { return t.AddDate(0, s.months, s.days) }
		switch {
		case s.step > 0:
			at = time.Date(y, m, d, from.Hour()-from.Hour()%max(1, int(s.step/time.Hour)), 0, 0, 0, zone)
			next = func(t time.Time) time.Time { return t.Add(s.step) }
		case s.months > 0:
			at = time.Date(y, time.Month((int(m)-1)/s.months*s.months+1), 1, 0, 0, 0, 0, zone)
		case s.days > 1:
			at = at.AddDate(0, 0, -(int(at.Unix()/86400) % s.days))
		}
		var out []timeTick
		for i := 0; !at.After(to) && i < 500; i++ {
			if !at.Before(from) {
				out = append(out, timeTick{at, at.Format(s.format)})
			}
			at = next(at)
		}
		return out
	}
	return nil
}

// mark is a change of state on a trace, numbered as in the list below it.
type mark struct {
	N     int
	State string
	At    time.Time
}

// traceData is what a trace shows.
type traceData struct {
	lamp     Lamp
	points   []Point
	from, to time.Time
	states   []stretch
	marks    []mark
	zone     *time.Location
}

// levelsKnown tells whether there are two levels to draw.
func levelsKnown(l Lamp) bool { return l.OnAbove != l.OffBelow || l.ByHand }

func bounds(points []Point, l Lamp) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, p := range points {
		lo, hi = min(lo, p.Min), max(hi, p.Max)
	}
	if levelsKnown(l) {
		lo, hi = min(lo, l.OnAbove, l.OffBelow), max(hi, l.OnAbove, l.OffBelow)
	}
	return lo, hi
}

// drawTrace draws readings over time, the two levels, and the states below.
func drawTrace(t traceData) chart {
	lo, hi := bounds(t.points, t.lamp)
	sc := around(lo, hi, plotHeight)
	whole := t.to.Sub(t.from).Seconds()
	across := func(at time.Time) float64 { return 1000 * at.Sub(t.from).Seconds() / whole }
	pct := func(at time.Time) string { return num(min(100, max(0, across(at)/10))) + "%" }

	var left svg
	left.add(`<svg class="ylabels" width="44" height="%s" aria-hidden="true">`, num(chartHeight))
	var p svg
	p.add(`<svg class="plot" width="100%%" height="%s" role="img" aria-label="%s">`, num(chartHeight), esc(describe(t)))
	p.add(`<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse"><rect class="hatch-back" width="6" height="6"/><rect class="hatch-bar" width="3" height="6"/></pattern></defs>`)
	counts := ticks(sc.lo, sc.hi, 5)
	if lo > hi { // there is nothing to measure
		counts = nil
	}
	for _, v := range counts {
		y := num(sc.y(v))
		p.add(`<line class="grid" x1="0" x2="100%%" y1="%s" y2="%s"/>`, y, y)
		left.add(`<text x="38" y="%s" dy="4" text-anchor="end">%s</text>`, y, count(v))
	}
	left.add(`</svg>`)
	stamps := timeTicks(t.from, t.to, 6, t.zone)
	for _, k := range stamps {
		x := pct(k.at)
		p.add(`<line class="grid" x1="%s" x2="%s" y1="0" y2="%s"/>`, x, x, num(stripTop+stripHeight+4))
	}
	drawDeadband(&p, t.lamp, sc)

	// Stretched to the page's width; non-scaling strokes keep their weight.
	p.add(`<svg viewBox="0 0 1000 %s" preserveAspectRatio="none" width="100%%" height="%s">`, num(plotHeight), num(plotHeight))
	for _, run := range runs(t.points) {
		var band, line strings.Builder
		for i, q := range run {
			x, w := across(q.At), 1000*q.Span.Seconds()/whole
			cmd := "L"
			if i == 0 {
				cmd = "M"
			}
			fmt.Fprintf(&line, "%s%s %s", cmd, num(x+w/2), num(sc.y(q.Mean)))
			fmt.Fprintf(&band, "%s%s %s", cmd, num(x), num(sc.y(q.Max)))
			if w > 0 {
				fmt.Fprintf(&band, "H%s", num(x+w))
			}
		}
		summed := false
		for _, q := range slices.Backward(run) {
			summed = summed || q.Count > 1
			x, w := across(q.At), 1000*q.Span.Seconds()/whole
			fmt.Fprintf(&band, "L%s %s", num(x+w), num(sc.y(q.Min)))
			if w > 0 {
				fmt.Fprintf(&band, "H%s", num(x))
			}
		}
		if summed {
			p.add(`<path class="band" d="%sZ"/>`, band.String())
		}
		if len(run) == 1 { // a single reading is a dash
			fmt.Fprintf(&line, "h%s", num(max(2, 1000*run[0].Span.Seconds()/whole)))
		}
		p.add(`<path class="trace" d="%s"/>`, line.String())
	}
	p.add(`</svg>`)
	drawLevels(&p, t.lamp, sc)

	for _, s := range t.states {
		x := across(s.From) / 10
		p.add(`<rect class="strip strip-%s" x="%s%%" width="%s%%" y="%s" height="%s"><title>%s from %s to %s</title></rect>`,
			esc(s.State), num(x), num(max(0.1, across(s.To)/10-x)), num(stripTop), num(stripHeight),
			esc(s.State), s.From.In(t.zone).Format("2 Jan 15:04"), s.To.In(t.zone).Format("2 Jan 15:04"))
	}
	lastX, down := -100.0, 0.0
	for _, m := range t.marks {
		x := pct(m.At)
		p.add(`<line class="mark" x1="%s" x2="%s" y1="0" y2="%s"/>`, x, x, num(stripTop))
		if len(t.marks) > 24 {
			continue
		}
		// Flags that would cover one another go below one another.
		if at := across(m.At); at-lastX < 70 && down < 60 {
			lastX, down = at, down+20
		} else {
			lastX, down = at, 0
		}
		p.add(`<circle class="mark-flag" cx="%s" cy="%s" r="9"/><text class="mark-n" x="%s" y="%s" text-anchor="middle">%d</text>`, x, num(10+down), x, num(14+down), m.N)
	}
	for i, k := range stamps {
		at := across(k.at) / 10
		anchor := "middle"
		switch {
		case at < 4:
			anchor = "start"
		case at > 96:
			anchor = "end"
		}
		class := "xlabel"
		if i%2 == 1 {
			class = "xlabel odd" // left out where there is little room
		}
		p.add(`<text class="%s" x="%s" y="%s" text-anchor="%s">%s</text>`, class, pct(k.at), num(chartHeight-6), anchor, k.label)
	}
	p.add(`</svg>`)
	return chart{Labels: left.html(), Plot: p.html(), Lo: sc.lo, Hi: sc.hi, Height: plotHeight, Desc: describe(t)}
}

// drawDeadband shades what lies between the levels.
func drawDeadband(p *svg, l Lamp, sc scale) {
	if levelsKnown(l) {
		on, off := sc.y(l.OnAbove), sc.y(l.OffBelow)
		p.add(`<rect class="deadband" x="0" width="100%%" y="%s" height="%s"/>`, num(min(on, off)), num(math.Abs(on-off)))
	}
}

// drawLevels draws where the lamp counts as lit and as dark.
func drawLevels(p *svg, l Lamp, sc scale) {
	if !levelsKnown(l) {
		return
	}
	on, off := sc.y(l.OnAbove), sc.y(l.OffBelow)
	p.add(`<g data-level="on"><line class="level level-on" x1="0" x2="100%%" y1="%s" y2="%s"/>`, num(on), num(on))
	onUp, offUp := -5.0, 14.0 // the labels stand outside the deadband
	if on > off {
		onUp, offUp = 14, -5
	}
	onWord, offWord := levelWords(l)
	p.add(`<text class="level-word" x="6" y="%s">%s %s</text></g>`, num(on+onUp), onWord, count(l.OnAbove))
	p.add(`<g data-level="off"><line class="level level-off" x1="0" x2="100%%" y1="%s" y2="%s"/>`, num(off), num(off))
	p.add(`<text class="level-word" x="6" y="%s">%s %s</text></g>`, num(off+offUp), offWord, count(l.OffBelow))
}

// levelWords says on which sides of the levels the lamp is lit, and dark.
func levelWords(l Lamp) (on, off string) {
	if l.Inverted {
		return "lit below", "dark above"
	}
	return "lit above", "dark below"
}

// runs cuts points where readings are missing, so that no line is drawn over
// a gap.
func runs(points []Point) [][]Point {
	if len(points) < 3 {
		if len(points) == 0 {
			return nil
		}
		return [][]Point{points}
	}
	gaps := make([]time.Duration, 0, len(points)-1)
	for i := 1; i < len(points); i++ {
		gaps = append(gaps, points[i].At.Sub(points[i-1].At))
	}
	slices.Sort(gaps)
	most := 4 * gaps[len(gaps)/2]
	var out [][]Point
	start := 0
	for i := 1; i < len(points); i++ {
		prev := points[i-1]
		if points[i].At.Sub(prev.At.Add(prev.Span)) > most {
			out = append(out, points[start:i])
			start = i
		}
	}
	return append(out, points[start:])
}

// describe says in words what a trace shows.
func describe(t traceData) string {
	var n int64
	for _, p := range t.points {
		n += p.Count
	}
	var b strings.Builder
	fmt.Fprintf(&b, "Readings of %s from %s to %s", t.lamp.Name,
		t.from.In(t.zone).Format("2 Jan 15:04"), t.to.In(t.zone).Format("2 Jan 15:04"))
	if n == 0 {
		b.WriteString(": none.")
		return b.String()
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, p := range t.points {
		lo, hi = min(lo, p.Min), max(hi, p.Max)
	}
	fmt.Fprintf(&b, ": %s between %s and %s counts, %s, listed below.", span.Count(n, "reading"), count(lo), count(hi), span.Count(len(t.marks), "change"))
	return b.String()
}

// drawHistogram draws how often each reading came, the value across.
func drawHistogram(points []Point, l Lamp) chart {
	const height, bins = 120.0, 64
	lo, hi := bounds(points, l)
	if lo > hi {
		return chart{}
	}
	sc := around(lo, hi, 1)
	var n [bins]float64
	var total, top float64
	at := func(v float64) int { return min(bins-1, max(0, int(float64(bins)*(v-sc.lo)/(sc.hi-sc.lo)))) }
	for _, p := range points {
		// What was summed up counts at its mean.
		n[at(p.Mean)] += float64(p.Count)
		total += float64(p.Count)
	}
	for _, c := range n {
		top = max(top, c)
	}
	if total == 0 {
		return chart{}
	}
	x := func(v float64) float64 { return 100 * (v - sc.lo) / (sc.hi - sc.lo) }
	var p svg
	desc := fmt.Sprintf("Histogram of %s between %s and %s counts.", span.Count(int64(total), "reading"), count(lo), count(hi))
	if levelsKnown(l) {
		desc += fmt.Sprintf(" On level %s, off level %s.", count(l.OnAbove), count(l.OffBelow))
	}
	p.add(`<svg class="plot hist" width="100%%" height="%s" role="img" aria-label="%s">`, num(height+42), esc(desc))
	if levelsKnown(l) {
		a, b := x(min(l.OnAbove, l.OffBelow)), x(max(l.OnAbove, l.OffBelow))
		p.add(`<rect class="deadband" x="%s%%" width="%s%%" y="18" height="%s"/>`, num(a), num(b-a), num(height))
	}
	for i, c := range n {
		if c == 0 {
			continue
		}
		// The root keeps a rare state visible beside a common one.
		h := max(2, height*math.Sqrt(c/top))
		mid := sc.lo + (float64(i)+0.5)/bins*(sc.hi-sc.lo)
		p.add(`<rect class="bar bar-%s" x="%s%%" width="%s%%" y="%s" height="%s"><title>about %s: %s</title></rect>`,
			side(mid, l), num(float64(i)*100/bins), num(100.0/bins-0.2), num(18+height-h), num(h), count(mid), span.Count(int64(c), "reading"))
	}
	p.add(`<line class="axis" x1="0" x2="100%%" y1="%s" y2="%s"/>`, num(18+height), num(18+height))
	for _, v := range ticks(sc.lo, sc.hi, 6) {
		at := x(v)
		if at < 3 || at > 97 {
			continue
		}
		p.add(`<text class="xlabel" x="%s%%" y="%s" text-anchor="middle">%s</text>`, num(at), num(height+34), count(v))
	}
	if levelsKnown(l) {
		for _, k := range []struct {
			v     float64
			class string
			word  string
		}{{l.OnAbove, "on", "lit"}, {l.OffBelow, "off", "dark"}} {
			at := num(x(k.v)) + "%"
			anchor, dx := "start", 4
			if k.v == min(l.OnAbove, l.OffBelow) {
				anchor, dx = "end", -4
			}
			p.add(`<line class="level level-%s" x1="%s" x2="%s" y1="4" y2="%s"/>`, k.class, at, at, num(18+height))
			p.add(`<text class="level-word" x="%s" dx="%d" y="14" text-anchor="%s">%s</text>`, at, dx, anchor, k.word)
		}
	}
	p.add(`</svg>`)
	return chart{Plot: p.html(), Desc: desc}
}

// side is on which side of the levels a value lies.
func side(v float64, l Lamp) string {
	on, off, x := l.OnAbove, l.OffBelow, v
	if l.Inverted {
		on, off, x = -on, -off, -x
	}
	switch {
	case !levelsKnown(l):
		return "none"
	case x >= on:
		return "lit"
	case x <= off:
		return "dark"
	}
	return "none"
}

// drawAim draws where the newest reading stands between the two levels, each
// a hump as wide as the noise; those set by hand are lines to cross.
func drawAim(l Lamp) template.HTML {
	const height, base = 158.0, 112.0
	a := l.Aim
	some := a.Dark != 0 || a.Lit != 0
	lo, hi := l.Value, l.Value
	if some {
		lo, hi = min(a.Dark, a.Lit, l.Value), max(a.Dark, a.Lit, l.Value)
	}
	room := max(4*a.Noise, (hi-lo)*0.15, 1)
	lo, hi = lo-room, hi+room
	x := func(v float64) float64 { return 1000 * (v - lo) / (hi - lo) }
	two := a.Dark != a.Lit || l.ByHand
	var p svg
	desc := fmt.Sprintf("The newest reading is %s counts.", count(l.Value))
	onWord, offWord := levelWords(l)
	switch {
	case l.ByHand:
		desc += fmt.Sprintf(" By the levels set by hand it is %s %s and %s %s.", onWord, count(a.Lit), offWord, count(a.Dark))
	case two:
		desc += fmt.Sprintf(" Dark is about %s, lit about %s, noise about %s.", count(a.Dark), count(a.Lit), count(a.Noise))
	}
	p.add(`<svg class="aimplot" width="100%%" height="%s" role="img" aria-label="%s">`, num(height), esc(desc))
	p.add(`<svg viewBox="0 0 1000 %s" preserveAspectRatio="none" width="100%%" height="%s">`, num(height), num(height))
	hump := func(mid float64, class string) {
		sd := max(a.Noise, (hi-lo)/400)
		var d strings.Builder
		fmt.Fprintf(&d, "M%s %s", num(x(max(lo, mid-4*sd))), num(base))
		for i := -40; i <= 40; i++ {
			z := float64(i) / 10
			fmt.Fprintf(&d, "L%s %s", num(x(mid+z*sd)), num(base-84*math.Exp(-z*z/2)))
		}
		p.add(`<path class="hump hump-%s" d="%sZ"/>`, class, d.String())
	}
	if some && !l.ByHand {
		hump(a.Dark, "dark")
	}
	if two && !l.ByHand {
		hump(a.Lit, "lit")
	}
	p.add(`</svg><line class="axis" x1="0" x2="100%%" y1="%s" y2="%s"/>`, num(base), num(base))
	if l.ByHand {
		line := func(v float64, class string) {
			p.add(`<line class="level level-%s" x1="%s%%" x2="%s%%" y1="28" y2="%s"/>`, class, num(x(v)/10), num(x(v)/10), num(base))
		}
		line(a.Lit, "on")
		line(a.Dark, "off")
	}
	// Below the needle's head, and not over one another where the two are close.
	label := func(v float64, word, anchor string) {
		p.add(`<text class="aim-word" x="%s%%" y="%s" text-anchor="%s">%s</text>`, num(min(88, max(12, x(v)/10))), num(base+38), anchor, word)
	}
	if two {
		dark, lit := "middle", "middle"
		if gap := x(a.Lit) - x(a.Dark); math.Abs(gap) < 180 || l.ByHand {
			dark, lit = "end", "start"
			if gap < 0 || l.Inverted {
				dark, lit = lit, dark
			}
		}
		label(a.Dark, "dark ", dark)
		label(a.Lit, " lit", lit)
	}
	at := num(x(l.Value) / 10)
	p.add(`<svg class="needle" x="%s%%" overflow="visible"><path d="M0 2v%s"/><path class="needle-head" d="M0 %sl-9 16h18z"/></svg>`,
		at, num(base-2), num(base))
	p.add(`</svg>`)
	return p.html()
}
