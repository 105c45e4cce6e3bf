package page

import (
	"fmt"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
)

// The few words at the top are true of any house.
func TestAnswer(t *testing.T) {
	lamp := func(name, state string) Lamp { return Lamp{Name: name, Board: name, State: state, Normal: "dark"} }
	dark := func(n int) (list []Lamp) {
		for i := range n {
			list = append(list, lamp(fmt.Sprint("lamp ", i), "dark"))
		}
		return list
	}
	pump := Lamp{Name: "pump", Board: "pump", State: "lit", Normal: "lit"}
	stopped := pump
	stopped.State = "dark"
	ill := lamp("salt", "dark")
	ill.Fault = "frozen"
	silent := func(names ...string) (list []Board) {
		for _, n := range names {
			list = append(list, Board{Name: n, Silent: true})
		}
		return list
	}
	for _, x := range []struct {
		name string
		st   Status
		want Answer
	}{
		{"all well", Status{Lamps: dark(3)}, Answer{Text: "No lamp is lit", Sign: "dark"}},
		{"one", Status{Lamps: append(dark(3), lamp("tank", "lit"))}, Answer{Text: "tank is lit", Sign: "lit", On: true}},
		{"several", Status{Lamps: []Lamp{lamp("freezer", "blinking"), lamp("tank", "lit"), lamp("salt", "lit")}},
			Answer{Text: "tank and salt are lit, freezer is blinking", Sign: "lit", On: true}},
		{"three", Status{Lamps: []Lamp{lamp("a", "lit"), lamp("b", "lit"), lamp("c", "lit")}}, Answer{Text: "a, b and c are lit", Sign: "lit", On: true}},
		{"many", Status{Lamps: []Lamp{lamp("a", "lit"), lamp("b", "lit"), lamp("c", "lit"), lamp("d", "lit")}}, Answer{Text: "4 lamps are lit", Sign: "lit", On: true}},
		{"lit is normal", Status{Lamps: append(dark(1), pump)}, Answer{Text: "No lamp is other than normal", Sign: "dark"}},
		{"dark is news", Status{Lamps: append(dark(1), stopped)}, Answer{Text: "pump is dark", Sign: "dark", On: true}},
		{"learning", Status{Lamps: []Lamp{lamp("tank", "learning")}}, Answer{Text: "Still learning", Sign: "learning"}},
		{"one learning", Status{Lamps: append(dark(1), lamp("tank", "learning"))}, Answer{Text: "No lamp is lit", More: "tank is still learning", Sign: "dark"}},
		{"one not heard", Status{Lamps: append(dark(2), ill), Boards: silent("lamp 0")},
			Answer{Text: "No lamp is lit", More: "lamp 0 is not heard, sensor trouble at salt", Sign: "dark"}},
		{"none heard", Status{Lamps: dark(2), Boards: silent("lamp 0", "lamp 1")},
			Answer{Text: "No lamp is heard", More: "Last known: no lamp was lit"}},
		{"none heard, nothing known", Status{Lamps: []Lamp{lamp("tank", "learning")}, Boards: silent("tank")}, Answer{Text: "No lamp is heard"}},
		{"none heard, and one never yet", Status{Lamps: []Lamp{lamp("tank", "lit"), lamp("salt", "learning")}, Boards: silent("tank")},
			Answer{Text: "No lamp is heard", More: "Last known: tank is lit, salt is still learning", On: true}},
		{"one heard, nothing known", Status{Lamps: []Lamp{lamp("tank", "learning"), {Name: "salt", Board: "salt", State: "learning", Normal: "dark", At: now}}, Boards: silent("tank")},
			Answer{Text: "Still learning", More: "tank is not heard", Sign: "learning"}},
		{"none heard, one was lit", Status{Lamps: []Lamp{lamp("tank", "lit")}, Boards: silent("tank")},
			Answer{Text: "No lamp is heard", More: "Last known: tank is lit", On: true}},
		{"cut off", Status{Lamps: dark(2), CutOff: "no broker"}, Answer{Text: "No lamp is heard", More: "Last known: no lamp was lit"}},
		{"broken", Status{Lamps: dark(2), Broken: "disk full"}, Answer{Text: "No reading is taken", More: "Last known: no lamp was lit"}},
	} {
		assert.Equal(t, x.want, x.st.Answer(), x.name)
	}
}

// manyLamps is a house with a thousand lamps, of which a few are worth a look.
func manyLamps() *fake {
	f := newFake()
	f.st.Lamps, f.st.Boards = nil, nil
	for i := range 1000 {
		name := fmt.Sprintf("lamp %03d", i)
		f.st.Lamps = append(f.st.Lamps, Lamp{Name: name, Board: name, State: "dark", Normal: "dark", Since: now.Add(-time.Hour), At: now, Value: 212, Confidence: 0.99, Alarm: Alarm{State: "normal"}})
		f.st.Boards = append(f.st.Boards, Board{Name: name, Lamps: []string{name}, Last: now, Alarm: Alarm{State: "normal"}})
	}
	f.st.Lamps[3].State = "learning"
	f.st.Lamps[500].Alarm.State = "returned_unacknowledged"
	f.st.Lamps[700].State, f.st.Lamps[700].Alarm.State = "lit", "acknowledged"
	f.st.Lamps[900].State, f.st.Lamps[900].Alarm.State = "lit", "unacknowledged"
	f.st.Boards[300].Silent = true
	return f
}

// Of a thousand lamps those that matter come first, and those that are dark and
// well are folded away.
func TestManyLamps(t *testing.T) {
	html := get(newServer(t, manyLamps(), nil), "/").Body.String()
	shown, folded, ok := strings.Cut(html, `<details class="fold" id="fold-rest">`)
	assert.True(t, ok)
	var names []string
	for _, m := range regexp.MustCompile(`<h3><a href="/lamp[^>]*>([^<]*)<`).FindAllStringSubmatch(shown, -1) {
		names = append(names, m[1])
	}
	assert.Equal(t, []string{"lamp 900", "lamp 500", "lamp 700", "lamp 300"}, names, "still lit before over, then what somebody knows of")
	assert.Contains(t, shown, "lamp 700 and lamp 900 are lit")
	assert.Contains(t, folded, `data-part="sums">995 dark, 1 learning<`)
	assert.Equal(t, 996, strings.Count(folded, `<h3><a href="/lamp`))
	t.Logf("%d kB", len(html)>>10)

	// A few lamps are all shown.
	assert.NotContains(t, get(newServer(t, newFake(), nil), "/").Body.String(), "<details")

	// Of very many that wait, the others are one press away.
	f := manyLamps()
	for i := range f.st.Lamps {
		f.st.Lamps[i].Alarm.State = "unacknowledged"
	}
	html = get(newServer(t, f, nil), "/").Body.String()
	shown, _, _ = strings.Cut(html, `<details class="fold" id="fold-first"><summary>976 more</summary>`)
	assert.Equal(t, rowsMost, strings.Count(shown, `<h3><a href="/lamp`))
}

// A board that is silent again is not shown as one whose silence is over.
func TestSilentAgain(t *testing.T) {
	f := newFake()
	f.st.Boards[1].Alarm.State = "returned_unacknowledged"
	s := newServer(t, f, nil)
	for _, path := range []string{"/", "/board?name=" + url.QueryEscape(nasty)} {
		assert.NotContains(t, get(s, path).Body.String(), "over, not acknowledged", path)
	}
	f.st.Boards[1].Silent = false
	assert.Contains(t, get(s, "/").Body.String(), "over, not acknowledged", "the control")
}

// The words at the top follow what happens, and so does the number of those
// that are folded away.
func TestAnswerIsLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &moving{fake: manyLamps()}
		s := newServer(t, nil, func(o *Options) { o.Source = f })
		glance := watch(t, s, "/live?view=glance")
		glance(time.Second)
		f.change(func(f *fake) { f.st.Lamps[1].State = "lit"; f.st.Lamps[3].State = "dark" })
		s.Changed("lamp 003", "", false)
		s.Changed("lamp 001", "", true)
		parts := glance(time.Second)
		assert.Contains(t, parts["answer"], "lamp 001, lamp 700 and lamp 900 are lit")
		assert.Contains(t, parts["list"], ">995 dark<")
	})
}

// A measured interval is never quite round, and that of a board while somebody
// aims is less than a second.
func TestInterval(t *testing.T) {
	for d, want := range map[time.Duration]string{
		400 * time.Millisecond: "0.4 s", 999 * time.Millisecond: "1 s", 10 * time.Millisecond: "less than 0.1 s",
		1520 * time.Millisecond: "1.5 s", 59980 * time.Millisecond: "60 s", 9990 * time.Millisecond: "10 s",
		119900 * time.Millisecond: "2 min", 299 * time.Second: "5 min", 3599 * time.Second: "60 min", 6 * time.Hour: "6 h",
	} {
		assert.Equal(t, want, Interval(d), d)
	}
}
