package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"lampward/rules/battery"
	"lampward/rules/silence"
	"lampward/rules/span"
)

// The values of Event.Cause.
const (
	CauseBattery = "battery"         // flat
	CauseRadio   = "radio"           // too weak
	CauseNetwork = "network"         // broker or network down
	CauseGoodbye = "goodbye"         // the board disconnected cleanly
	CauseLost    = "connection_lost" // its connection ended without a goodbye
	CauseStuck   = "stuck"           // its connection stands, but it sends nothing
	CauseUnknown = "unknown"         // nothing tells
)

// cause is one thing that may have silenced a board. More weight is likelier;
// the weights are an order of plausibility, not a probability.
type cause struct {
	name   string
	weight float64
	short  string // for the phone
	why    string // the evidence
}

// Signal strength in dBm below which a radio link of the kind that small
// boards have gets unsteady (common practice, no source).
const (
	rssiFair = -75
	rssiWeak = -82
	rssiDead = -88
)

// causes ranks what may have silenced the board, likeliest first.
func (d *device) causes(at time.Time) []cause {
	var cs []cause
	if c, ok := d.batteryCause(at); ok {
		cs = append(cs, c)
	}
	if d.rsOK && d.rssi <= rssiFair {
		c := cause{CauseRadio, 1, "weak radio", fmt.Sprintf("weak radio (its last report came at %.0f dBm)", d.rssi)}
		switch {
		case d.rssi <= rssiDead:
			c.weight = 3
		case d.rssi <= rssiWeak:
			c.weight = 2
		}
		cs = append(cs, c)
	}
	switch {
	case !d.gone && d.word == LinkUp:
		cs = append(cs, cause{CauseStuck, 1.5, "its program hangs", "its program hangs (the connection to the broker still stands)"})
	case d.gone && d.word == LinkClosed:
		cs = append(cs, cause{CauseGoodbye, 3.5, "switched off or restarted", "switched off or restarted (it said goodbye to the broker)"})
	case d.gone && d.word == LinkOffline:
		cs = append(cs, cause{CauseLost, 1.2, "power or radio lost", "power or radio lost, or switched off (what came last says that it is offline, as its will does)"})
	case d.gone:
		// MQTT 3.1.1, section 3.1.2.10: the broker drops a client after one
		// and a half times the keep-alive without a packet, and then
		// publishes its will (from memory).
		cs = append(cs, cause{CauseLost, 1.2, "power or radio lost", "power or radio lost (the connection ended without a goodbye)"})
	}
	slices.SortStableFunc(cs, func(a, b cause) int { return cmp.Compare(b.weight, a.weight) })
	return cs
}

// batteryCause weighs the battery; ok is false if it is no suspect.
func (d *device) batteryCause(at time.Time) (c cause, ok bool) {
	c = cause{name: CauseBattery, short: "flat battery"}
	f, known := d.cell.Forecast()
	charge, measured := d.cell.Charge()
	switch {
	case measured && charge <= 0.05:
		c.weight = 4
		c.why = "flat battery (" + d.left(charge) + ")"
	case known && !at.Before(f.Flat):
		c.weight = 3.2
		c.why = fmt.Sprintf("flat battery (its flat date by %s passed %s ago)", basisWord(f.Basis), span.Text(at.Sub(f.Flat)))
	case measured && charge <= 0.15:
		c.weight = 2.5
		c.why = "low battery (" + d.left(charge) + ")"
	case known && !at.Before(f.Early):
		c.weight = 2.2
		c.why = fmt.Sprintf("flat battery (by %s it goes flat about now, in %s at the latest)", basisWord(f.Basis), span.Text(f.Late.Sub(at)))
	default:
		return c, false
	}
	return c, true
}

// left tells of a battery that is nearly flat.
func (d *device) left(charge float64) string {
	if d.cfg.Battery.InPercent {
		return fmt.Sprintf("it reported %.0f %%", d.volts)
	}
	return fmt.Sprintf("%.2f V is %.0f %% left", d.volts, charge*100)
}

func basisWord(basis string) string {
	switch basis {
	case battery.FromCharge:
		return "the charge that it reports"
	case battery.FromVoltage:
		return "its voltage"
	case battery.FromSwaps:
		return "how long earlier batteries lasted"
	}
	return "capacity and current"
}

// usually tells of an interval, which is measured and so never quite round.
func usually(every time.Duration) string {
	to := time.Second
	if every < to/2 { // "one every 0 s" says nothing
		return ", where several a second are usual"
	}
	if every > 2*time.Minute { // from there on minutes are told
		to = time.Minute
	}
	return ", where one every " + span.Text(every.Round(to)) + " is usual"
}

// silence makes the Silent event.
func (d *device) silence(at time.Time) Event {
	e := Event{At: at, Kind: Silent, Device: d.cfg.Name, Cause: CauseUnknown, Confidence: 1}
	var why strings.Builder
	if last, heard := d.cadence.Last(); heard {
		e.Since = last
		e.Text = d.cfg.Name + " has been silent for " + span.Text(at.Sub(last))
		why.WriteString("No report for " + span.Text(at.Sub(last)))
		if every := d.cadence.Every(); every > 0 {
			why.WriteString(usually(every))
		}
	} else {
		e.Text = d.cfg.Name + " has not reported yet"
		why.WriteString("No report since lampward started")
	}
	if _, ok := d.cadence.Limit(); !ok && d.expected() {
		why.Reset()
		fmt.Fprintf(&why, "By the configuration it reads what another board read before, and no report of it has come within %s: look at the topic and account that it uses, and at the configuration's.", span.Text(d.expect))
	} else if d.cfg.SilentAfter > 0 {
		why.WriteString("; the limit of " + span.Text(d.cfg.SilentAfter) + " is set by hand.")
	} else {
		every := d.cfg.FalseEvery
		if every <= 0 {
			every = silence.DefaultFalseEvery
		}
		why.WriteString("; a healthy board is this late about once in " + longSpan(every) + ".")
	}
	cs := d.causes(at)
	if len(cs) == 0 {
		why.WriteString(" Nothing tells why.")
	} else {
		e.Cause = cs[0].name
		e.Text += ": " + cs[0].short + "?"
		why.WriteString(" Likeliest first: ")
		for i, c := range cs {
			if i > 0 {
				why.WriteString("; ")
			}
			why.WriteString(c.why)
		}
		why.WriteString(".")
	}
	e.Why = why.String()
	return e
}

func longSpan(d time.Duration) string {
	const year = 365 * 24 * time.Hour
	switch {
	case d >= 2*year:
		return fmt.Sprintf("%d years", (d+year/2)/year)
	case d >= 48*time.Hour:
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	}
	return span.Text(d)
}

// returned makes the Returned event.
func (d *device) returned(at, last time.Time, heard bool) Event {
	e := Event{At: at, Kind: Returned, Device: d.cfg.Name, Confidence: 1}
	if heard {
		e.Since = last
		e.Text = d.cfg.Name + " reports again after " + span.Text(at.Sub(last))
		e.Why = "A fresh report came; the one before it is " + span.Text(at.Sub(last)) + " old."
	} else {
		e.Text = d.cfg.Name + " reports"
		e.Why = "Its first report came."
	}
	return e
}

// batteryLow makes the BatteryLow event. Its Since is the flat date.
func (d *device) batteryLow(at time.Time) Event {
	f, _ := d.cell.Forecast()
	e := Event{At: at, Kind: BatteryLow, Device: d.cfg.Name, Since: f.Flat, Cause: CauseBattery, Confidence: 0.9}
	e.Text = d.cfg.Name + ": battery flat " + ahead(at, f.Flat)
	e.Why = d.forecast(at)
	return e
}

// batteryHolds makes the BatteryHolds event, of a battery that was warned of too soon.
func (d *device) batteryHolds(at time.Time) Event {
	f, _ := d.cell.Forecast()
	e := Event{At: at, Kind: BatteryHolds, Device: d.cfg.Name, Since: f.Flat, Confidence: 0.9}
	e.Text = d.cfg.Name + ": battery not flat soon after all, but " + ahead(at, f.Flat)
	e.Why = d.forecast(at)
	if f.Basis == battery.FromVoltage || f.Basis == battery.FromCharge {
		e.Why += " The warning came too soon; in the cold a battery shows less."
	}
	return e
}

// forecast tells when the battery goes flat, and by what.
func (d *device) forecast(at time.Time) string {
	f, _ := d.cell.Forecast()
	var why strings.Builder
	fmt.Fprintf(&why, "By %s it goes flat %s, nine times in ten between %s and %s.", basisWord(f.Basis),
		ahead(at, f.Flat), ahead(at, f.Early), ahead(at, f.Late))
	charge, ok := d.cell.Charge()
	switch {
	case !ok:
	case d.cfg.Battery.InPercent:
		fmt.Fprintf(&why, " It reports %.0f %%.", d.volts)
	default:
		fmt.Fprintf(&why, " It shows %.2f V, about %.0f %% of its charge.", d.volts, charge*100)
	}
	since, told := d.cell.Since()
	if f.Basis != battery.FromVoltage && f.Basis != battery.FromCharge {
		if told {
			fmt.Fprintf(&why, " It was put in %s ago.", span.Text(at.Sub(since)))
		} else {
			fmt.Fprintf(&why, " It is taken to have been fresh at the first report, %s ago.", span.Text(at.Sub(since)))
		}
	}
	return why.String()
}

func ahead(at, then time.Time) string {
	if d := then.Sub(at); d >= time.Minute {
		return "in " + span.Text(d)
	}
	return "now"
}

func (d *device) batteryChanged(in *Input) Event {
	return Event{
		At: in.At, Kind: BatteryNew, Device: d.cfg.Name, By: in.By, Confidence: 1,
		Text: d.cfg.Name + ": battery changed", Why: "A person said so.",
	}
}

// batteryGone makes the BatteryNew event of a board that was warned of, and has no
// battery any more.
func (d *device) batteryGone(at time.Time) Event {
	return Event{
		At: at, Kind: BatteryNew, Device: d.cfg.Name, Confidence: 1,
		Text: d.cfg.Name + ": no battery any more",
		Why:  "The configuration says that it has none, so none goes flat.",
	}
}

func (d *device) batteryRose(at time.Time, before float64, had bool) Event {
	what, unit := "voltage", "%.2f V"
	if d.cfg.Battery.InPercent {
		what, unit = "charge", "%.0f %%"
	}
	why := "Its " + what + " rose within the last hours,"
	if had && before < d.volts {
		why += fmt.Sprintf(" from "+unit, before)
	}
	return Event{At: at, Kind: BatteryNew, Device: d.cfg.Name, Confidence: 0.9,
		Text: d.cfg.Name + ": battery changed or charged",
		Why:  why + fmt.Sprintf(" to "+unit+".", d.volts)}
}
