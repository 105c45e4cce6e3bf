package page

import (
	"context"
	"encoding/json"
	"html"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// watch opens a live view of what is known now, and returns what tells the
// parts sent since it was last asked, after d has passed.
func watch(t *testing.T, s *Server, path string) (after func(d time.Duration) map[string]string) {
	ctx, stop := context.WithCancel(t.Context())
	r := httptest.NewRequest("GET", path+"&mark="+s.hub.mark(), nil).WithContext(ctx)
	r.Host = "127.0.0.1:8080"
	w := &lockedRecorder{ResponseRecorder: httptest.NewRecorder()}
	done := make(chan struct{})
	go func() { defer close(done); s.Handler().ServeHTTP(w, r) }()
	t.Cleanup(func() { stop(); <-done })
	synctest.Wait()
	return func(d time.Duration) map[string]string {
		time.Sleep(d)
		synctest.Wait()
		w.Lock()
		defer w.Unlock()
		parts := map[string]string{}
		for l := range strings.Lines(w.Body.String()) {
			var p piece
			if data, ok := strings.CutPrefix(l, "data: {"); ok && json.Unmarshal([]byte("{"+data), &p) == nil && p.Part != "" {
				parts[p.Part] = p.HTML
			}
		}
		w.Body.Reset()
		return parts
	}
}

// lockedRecorder may be read while a stream writes to it.
type lockedRecorder struct {
	sync.Mutex
	*httptest.ResponseRecorder
}

func (w *lockedRecorder) Write(b []byte) (int, error) {
	w.Lock()
	defer w.Unlock()
	return w.ResponseRecorder.Write(b)
}

// moving is a fake that a test changes while streams are open.
type moving struct {
	sync.Mutex
	*fake
}

func (m *moving) change(fn func(*fake)) { m.Lock(); defer m.Unlock(); fn(m.fake) }

func (m *moving) Status(ctx context.Context, only ...string) (Status, error) {
	m.Lock()
	defer m.Unlock()
	st, err := m.fake.Status(ctx, only...)
	st.Now = time.Now()
	st.Boards = slices.Clone(st.Boards)
	return st, err
}

// What becomes wrong without an input or an event shows all the same: nothing
// can be stored, a route fails, a board's silence is part of another one's.
func TestTroubleShowsWithoutNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &moving{fake: newFake()}
		volts := 3.7
		f.st.Boards[0].Volts = &volts // so that it has a row before
		f.st.Lamps[0].At = time.Now() // so that what is said of it changes with time
		s := newServer(t, nil, func(o *Options) { o.Source = f })
		glance, board, lamp := watch(t, s, "/live?view=glance"), watch(t, s, "/live?view=board&name=tank"), watch(t, s, "/live?view=lamp&name=tank")
		aim := watch(t, s, "/live?view=aim&name=tank")
		glance(heartbeat + time.Second)
		board(0)
		lamp(0)
		aim(0)
		f.change(func(f *fake) {
			f.st.Broken = "the disk is full"
			f.st.Failing = []Failing{{Route: "phone", Since: time.Now(), Note: "410 Gone"}}
			f.st.Boards[0].Silent = true
		})
		parts := glance(heartbeat + time.Second)
		assert.Contains(t, parts["summary"], "Nothing can be stored")
		assert.Contains(t, parts["summary"], "phone has taken no message")
		assert.Contains(t, parts[handle("board", "tank")], "<strong>silent</strong>")
		assert.Contains(t, parts[handle("lamp", "tank")], "board silent")
		assert.Contains(t, board(0)["boardpage"], "<strong>silent</strong>")
		assert.Contains(t, lamp(0)["lamphead"], "silent</span>")
		assert.Contains(t, aim(0)["aimnow"], "The board is silent")
		for _, parts := range []map[string]string{glance(3 * heartbeat), board(0), lamp(0), aim(0)} {
			assert.Empty(t, parts, "nothing changed, so nobody's button is replaced under his finger")
		}
	})
}

// A page that stays open over midnight, such as that of a tablet on the wall,
// says of what was yesterday that it was, though nothing else is new.
func TestMidnight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		zone, err := time.LoadLocation("Europe/Lisbon")
		require.NoError(t, err)
		time.Sleep(14 * time.Hour)
		f := &moving{fake: newFake()}
		f.st.Lamps[0].Since = time.Now()
		f.events[0].Time = time.Now()
		s := newServer(t, nil, func(o *Options) { o.Source, o.Zone = f, zone })
		before := get(s, "/").Body.String()
		assert.Contains(t, before, ">14:00</time>")
		_, live, _ := strings.Cut(before, `data-live="`)
		live, _, _ = strings.Cut(html.UnescapeString(live), `"`)
		glance, lamp := watch(t, s, live), watch(t, s, "/live?view=lamp&name=tank")
		assert.NotContains(t, glance(9*time.Hour+50*time.Minute), "list", "the control: before midnight all is well")
		lamp(0)
		assert.Contains(t, glance(11 * time.Minute)["list"], ">Sat 14:00</time>")
		assert.Contains(t, lamp(0)["lampchanges"], ">Sat 14:00</time>")
		// A machine that slept connects anew with the page of yesterday.
		assert.Contains(t, watch(t, s, live)(heartbeat)["list"], ">Sat 14:00</time>")
	})
}

// A row that was sent, then changed with the whole list, then changed back, is
// sent again: what was sent before the list is not what the page shows.
func TestRowAfterList(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &moving{fake: newFake()} // its second lamp has no reading, so its row says no time
		s := newServer(t, nil, func(o *Options) { o.Source = f })
		glance := watch(t, s, "/live?view=glance")
		alarms := func(first, second string) map[string]string {
			f.change(func(f *fake) {
				f.st.Lamps = slices.Clone(f.st.Lamps)
				f.st.Lamps[0].Alarm.State, f.st.Lamps[1].Alarm.State = first, second
			})
			s.Changed("tank", "", false)
			s.Changed(nasty, "", false)
			return glance(time.Second)
		}
		row := handle("lamp", nasty)
		require.NotContains(t, alarms("unacknowledged", "normal")[row], "shelved")
		require.Contains(t, alarms("acknowledged", "shelved")["list"], "shelved")
		parts := alarms("acknowledged", "normal")
		require.NotContains(t, parts, "list")
		require.Contains(t, parts, row)
		assert.NotContains(t, parts[row], "shelved")
	})
}

// While somebody aims, a screen reader is told how well it is when that changes,
// and not with each reading.
func TestAimGradeIsToldOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &moving{fake: newFake()}
		s := newServer(t, nil, func(o *Options) { o.Source = f })
		assert.Regexp(t, `data-part="aimgrade" role="status"`, get(s, "/aim?name=tank").Body.String())
		aim := watch(t, s, "/live?view=aim&name=tank")
		read := func(v float64, grade string) map[string]string {
			f.change(func(f *fake) { f.st.Lamps[0].Value, f.st.Lamps[0].Aim.Grade = v, grade })
			s.Changed("tank", "tank", false)
			return aim(time.Second)
		}
		read(641, "good")
		parts := read(642, "good")
		assert.Contains(t, parts["aimnow"], "642")
		assert.NotContains(t, parts, "aimgrade")
		assert.Contains(t, read(643, "excellent")["aimgrade"], "lit and dark: excellent")
	})
}
