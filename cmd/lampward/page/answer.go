package page

import (
	"strconv"
	"strings"
)

// Answer is the state of all lamps in a few words: what a person wants to know
// who looks for one second.
type Answer struct {
	Text string
	More string // what keeps Text from being the whole truth; empty: nothing
	Sign string // state whose symbol fits: lit, blinking, dark, learning; empty: nothing is known now
	On   bool   // a lamp shows what is no normal state
}

// Answer sums up all lamps.
func (s Status) Answer() Answer {
	silent := map[string]bool{}
	for _, b := range s.Boards {
		silent[b.Name] = b.Silent
	}
	var unheard, learning, ill []string
	known := false // of a lamp at least
	heard := 0
	shows := map[string][]string{}
	darkIsNormal := true
	for _, l := range s.Lamps {
		darkIsNormal = darkIsNormal && l.Normal != "lit"
		known = known || l.State != "learning"
		switch {
		case l.Abnormal():
			shows[l.State] = append(shows[l.State], l.Name)
		case l.State == "learning" && !silent[l.Board]:
			learning = append(learning, l.Name)
		}
		if silent[l.Board] {
			unheard = append(unheard, l.Name)
		} else if l.Fault != "" {
			ill = append(ill, l.Name)
		}
		if !silent[l.Board] && (l.State != "learning" || !l.At.IsZero()) {
			heard++
		}
	}
	var on []string
	a := Answer{Sign: "dark"}
	for _, state := range []string{"lit", "blinking", "dark"} {
		if names := shows[state]; len(names) > 0 {
			if !a.On {
				a.On, a.Sign = true, state
			}
			on = append(on, are(names, state))
		}
	}
	a.Text = strings.Join(on, ", ")
	var more []string
	switch {
	case s.CutOff != "" || s.Broken != "" || heard == 0 && len(unheard) > 0:
		a.Sign = ""
		switch more = on; {
		case a.On:
			more[0] = "Last known: " + more[0]
		case known:
			more = []string{"Last known: no lamp was " + unusual(darkIsNormal)}
		}
		a.Text = "No lamp is heard"
		if s.Broken != "" {
			a.Text = "No reading is taken"
		}
		unheard = nil
	case a.On:
	case !known:
		a.Sign, a.Text = "learning", "Still learning"
		learning = nil
	default:
		a.Text = "No lamp is " + unusual(darkIsNormal)
	}
	if len(unheard) > 0 {
		more = append(more, are(unheard, "not heard"))
	}
	if len(ill) > 0 {
		more = append(more, "sensor trouble at "+few(ill))
	}
	if len(learning) > 0 {
		more = append(more, are(learning, "still learning"))
	}
	a.More = strings.Join(more, ", ")
	return a
}

// unusual is what no lamp is when all is well.
func unusual(darkIsNormal bool) string {
	if darkIsNormal {
		return "lit"
	}
	return "other than normal"
}

// are says what some lamps are.
func are(names []string, what string) string {
	if len(names) == 1 {
		return names[0] + " is " + what
	}
	return few(names) + " are " + what
}

// few lists a few lamps by name, and many by number.
func few(names []string) string {
	switch n := len(names); n {
	case 1:
		return names[0]
	case 2, 3:
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	default:
		return strconv.Itoa(n) + " lamps"
	}
}
