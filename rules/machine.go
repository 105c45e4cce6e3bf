// Package rules decides what happened: it turns readings and news of boards
// into events such as "the tank lamp is lit".
//
// Start with [New], feed every [Input] to [Machine.Step] in order, and call
// Step with an InTick input when the time that [Machine.Next] names has come.
// The package does no I/O, starts no goroutine and reads no clock: the same
// inputs give the same events, byte for byte, so stored inputs can be stepped
// again after a restart.
package rules

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"lampward/rules/battery"
	"lampward/rules/learn"
	"lampward/rules/span"
)

// Machine holds one learner for each lamp, one watch for each device and the
// life cycle of their alerts. It is not safe for concurrent use.
type Machine struct {
	cfg     Config
	at      time.Time // newest engine time seen
	started bool

	lamps    []*lamp
	lampAt   map[string]int // name to index; looked up, never ranged over
	devices  []*device
	deviceAt map[string]int
	alarms   []*alarm // those of the lamps, then those of the devices
	fleet    fleet

	due deadlines
	raw []Event // events of this step before the alarms saw them
	out []Event // events of this step

	replaying bool    // this step is of Replay
	told      []Event // what came of it when it was decided first
	otherwise bool    // a lamp began to be decided otherwise
}

// New returns a Machine that knows no lamp yet; step an InConfig input next.
func New() *Machine {
	m := &Machine{}
	m.configure(&Input{Config: &Config{}})
	return m
}

// Config returns the configuration in force. The caller must not change it.
func (m *Machine) Config() Config { return m.cfg }

// At returns the engine time of the newest input other than a configuration.
func (m *Machine) At() time.Time { return m.at }

// Next returns the earliest deadline; ok is false if there is none. Step an
// InTick input when it has come.
func (m *Machine) Next() (at time.Time, ok bool) { return m.due.first() }

// Step takes one input and returns the events it caused, oldest first. It
// first fires every deadline at or before in.At, each stamped with its own
// time; only a start input fires none, for what fell due while nobody watched
// proves nothing, and a configuration, which may come right before a start. An input that names an unknown lamp or device changes
// nothing, and one with an earlier time than its forerunner counts as
// simultaneous with it.
//
// The returned slice is valid until the next call.
func (m *Machine) Step(in Input) []Event {
	m.raw, m.out = m.raw[:0], m.out[:0]
	if in.At.Before(m.at) {
		in.At = m.at
	}
	if in.Kind != InStart && in.Kind != InConfig {
		for {
			at, ok := m.due.first()
			if !ok || at.After(in.At) {
				break
			}
			if at.Before(m.at) {
				at = m.at // a new configuration may put a deadline into the past
			}
			m.fire(m.due.firstIndex(), at)
		}
	}
	m.take(&in)
	if in.Kind != InConfig { // it may have been written while nobody watched
		m.at = in.At
	}
	return m.out
}

// Replay steps an input that was stepped before, by a Machine that may have
// decided otherwise, and told of what it decided. Of a lamp whose learned state was of another
// version, or which this one sees otherwise at this input or did at one before,
// what was told stands, and its alert goes by that: the next InStart that is given
// to Step tells the difference, once. same is false if such a difference begins
// with this input, but for a lamp whose learned state was of another version.
func (m *Machine) Replay(in Input, told []Event) (events []Event, same bool) {
	m.replaying, m.told, m.otherwise = true, told, false
	events = m.Step(in)
	m.replaying, m.told = false, nil
	return events, !m.otherwise
}

// stands puts what was told of a lamp in the place of what its learner says in a
// replay, m.raw[from:], if that is other news, or was before.
func (m *Machine) stands(l *lamp, from int) {
	if !m.replaying {
		return
	}
	var told []Event
	for i := range m.told {
		if e := &m.told[i]; e.Lamp == l.cfg.Name && ofLearner(e) {
			told = append(told, *e)
		}
	}
	if !l.relearned {
		if slices.EqualFunc(m.raw[from:], told, func(a, b Event) bool { return a.Kind == b.Kind && a.State == b.State }) {
			return
		}
		l.relearned, m.otherwise = true, true
	}
	m.raw = append(m.raw[:from], told...)
}

// The parts of the machine that have deadlines are numbered: the fleet, then
// devices, then alarms.
func (m *Machine) alarmPart(i int) int { return 1 + len(m.devices) + i }

// fire lets one part act on its deadline. A part must move its deadline on or
// drop it; one that does not would hang the machine, so it is dropped here.
func (m *Machine) fire(part int, at time.Time) {
	switch d := len(m.devices); {
	case part == 0:
		m.raw = m.fleet.fire(at, m.raw)
	case part <= d:
		m.raw = m.fleet.filter(at, m.devices[part-1].fire(at, nil), m.raw)
		m.refresh(0)
	default:
		m.out = m.alarms[part-1-d].fire(&m.cfg.Alarm, at, m.out)
	}
	m.refresh(part)
	m.settle()
	if next, ok := m.due.first(); ok && m.due.firstIndex() == part && !next.After(at) {
		m.due.set(part, time.Time{}, false)
	}
}

// refresh reads a part's deadline anew.
func (m *Machine) refresh(part int) {
	var at time.Time
	var ok bool
	switch d := len(m.devices); {
	case part == 0:
		at, ok = m.fleet.next()
	case part <= d:
		at, ok = m.devices[part-1].next()
	default:
		at, ok = m.alarms[part-1-d].next()
	}
	m.due.set(part, at, ok)
}

func (m *Machine) take(in *Input) {
	lamp, haveLamp := m.lampAt[in.Lamp]
	name := in.Device
	if haveLamp && name == "" {
		name = m.lamps[lamp].cfg.Board()
	}
	dev, haveDevice := m.deviceAt[name]
	switch in.Kind {
	case InReading:
		if haveDevice {
			m.reportFrom(dev, in)
		}
		if haveLamp {
			before := len(m.raw)
			m.raw = m.lamps[lamp].reading(in, m.raw)
			m.stands(m.lamps[lamp], before)
		}
	case InTeach:
		if haveLamp {
			before := len(m.raw)
			m.raw = m.lamps[lamp].teach(in, m.raw)
			m.stands(m.lamps[lamp], before)
		}
	case InLink:
		if haveDevice {
			m.devices[dev].link(in)
		}
	case InBattery:
		if haveDevice {
			m.raw = m.devices[dev].battery(in, m.raw)
			m.refresh(1 + dev)
		}
	case InUplink:
		m.uplink(in)
	case InAck, InShelve, InService:
		if haveLamp {
			m.act(lamp, in)
		} else if in.Lamp == "" && haveDevice {
			m.act(len(m.lamps)+dev, in)
		}
	case InConfig:
		if in.Config != nil {
			m.configure(in)
		}
	case InStart:
		m.start(in)
	}
	m.settle()
}

func (m *Machine) reportFrom(dev int, in *Input) {
	before := len(m.raw)
	m.raw = m.devices[dev].report(in, m.raw)
	if len(m.raw) > before {
		told := append([]Event(nil), m.raw[before:]...)
		m.raw = m.fleet.filter(in.At, told, m.raw[:before])
		m.refresh(0)
	}
	m.refresh(1 + dev)
}

func (m *Machine) act(i int, in *Input) {
	m.out = m.alarms[i].action(&m.cfg.Alarm, in, m.out)
	m.refresh(m.alarmPart(i))
}

// start re-arms every deadline and tells how long nobody watched.
func (m *Machine) start(in *Input) {
	if m.started && in.At.Sub(m.at) >= tellDowntime {
		m.raw = append(m.raw, Event{
			At: in.At, Kind: Downtime, Since: m.at, Confidence: 1,
			Text: "lampward recorded nothing for " + span.Text(in.At.Sub(m.at)),
			Why:  "It was down, or could not store. What happened in between was not seen, and no board is blamed for it." + in.Word,
		})
	}
	m.started = true
	for i, l := range m.lamps {
		before := len(m.raw)
		if l.relearned && !m.replaying {
			l.relearned = false
			m.raw = l.catchUp(in, &m.cfg.Alarm, m.alarms[i], m.raw)
		}
		m.stands(l, before)
	}
	m.rearm(in.At)
}

// tellDowntime is how long a gap must be to be worth a message: a restart for
// an update takes less.
const tellDowntime = 5 * time.Minute

func (m *Machine) rearm(at time.Time) {
	for _, d := range m.devices {
		since := m.at
		if d.away {
			since = m.fleet.s.DownAt
		}
		d.rearm(since, at)
	}
	m.fleet.rearm(at)
	for _, a := range m.alarms {
		a.rearm(at)
	}
	m.refreshAll()
}

// uplink notes that lampward itself lost or found the external broker; while
// it is lost no device can be heard, so none is blamed.
func (m *Machine) uplink(in *Input) {
	m.raw = m.fleet.uplink(in, m.raw)
	for _, d := range m.devices {
		d.hold(m.fleet.s.DownAt, in.At, in.Word == UplinkDown)
	}
	m.refreshAll()
}

// UplinkDown tells whether the external broker counts as out of reach: until an
// InUplink says otherwise, over a restart too if it was told.
func (m *Machine) UplinkDown() bool { return m.fleet.s.Down }

func (m *Machine) refreshAll() {
	m.due.reset(1 + len(m.devices) + len(m.alarms))
	for i := range m.due.times {
		m.refresh(i)
	}
}

// settle passes what was decided through the life cycle of its alert.
func (m *Machine) settle() {
	if len(m.raw) == 0 {
		return
	}
	for i := range m.raw {
		e := &m.raw[i]
		part := -1
		if e.Lamp != "" {
			if l, ok := m.lampAt[e.Lamp]; ok {
				part = l
			}
		} else if d, ok := m.deviceAt[e.Device]; ok {
			part = len(m.lamps) + d
		}
		if part < 0 {
			m.out = append(m.out, *e)
			continue
		}
		m.out = m.alarms[part].event(&m.cfg.Alarm, e, m.out)
		m.refresh(m.alarmPart(part))
	}
	m.raw = m.raw[:0]
	m.refresh(0)
}

// configure makes in.Config the one in force. What is known of lamps and devices
// that stay is kept; what is gone from the configuration is forgotten.
func (m *Machine) configure(in *Input) {
	old, cfg := *m, *in.Config
	m.cfg = cfg
	m.lamps, m.lampAt = nil, make(map[string]int, len(cfg.Lamps))
	m.devices, m.deviceAt = nil, make(map[string]int, len(cfg.Lamps))
	m.alarms = nil
	for _, c := range cfg.Devices {
		m.addDevice(&old, c)
	}
	var lampAlarms, deviceAlarms []*alarm
	for _, c := range cfg.Lamps {
		l := newLamp(c)
		a := newAlarm("lamp/" + c.Name)
		was := "" // the board that read it
		if i, ok := old.lampAt[c.Name]; ok {
			l, a = old.lamps[i], old.alarms[i]
			was = l.cfg.Board()
			before := len(m.raw)
			m.raw = l.configure(in, c, m.raw)
			m.stands(l, before)
			if darkIsAlarm(&cfg.Alarm, c.Name) != darkIsAlarm(&old.cfg.Alarm, c.Name) {
				a.end(condLamp) // its state is no alert any more, or is not news
			}
		}
		m.lampAt[c.Name] = len(m.lamps)
		m.lamps = append(m.lamps, l)
		lampAlarms = append(lampAlarms, a)
		if _, ok := m.deviceAt[l.cfg.Board()]; !ok {
			m.addDevice(&old, DeviceConfig{Name: l.cfg.Board()})
		}
		d := m.devices[m.deviceAt[l.cfg.Board()]]
		d.reads(l)
		if i, ok := old.deviceAt[was]; ok && was != l.cfg.Board() {
			d.follows(old.devices[i], in.At)
		}
	}
	for _, d := range m.devices {
		a := newAlarm("device/" + d.cfg.Name)
		if i, ok := old.deviceAt[d.cfg.Name]; ok {
			a = old.alarms[len(old.lamps)+i]
		}
		if d.cfg.Battery.Chemistry == battery.None && a.s.Conds&condBattery != 0 {
			m.raw = append(m.raw, d.batteryGone(in.At))
		}
		deviceAlarms = append(deviceAlarms, a)
	}
	m.alarms = append(lampAlarms, deviceAlarms...)
	for _, l := range old.lamps {
		if _, ok := m.lampAt[l.cfg.Name]; !ok {
			m.raw = l.gone(in, m.raw)
		}
	}
	m.fleet.configure(cfg.FoldDevices, m.devices)
	m.refreshAll()
}

func (m *Machine) addDevice(old *Machine, c DeviceConfig) {
	d := newDevice(c)
	if i, ok := old.deviceAt[c.Name]; ok {
		d = old.devices[i]
		d.configure(c)
	}
	m.deviceAt[c.Name] = len(m.devices)
	m.devices = append(m.devices, d)
}

// Part is one piece of a Machine's snapshot. Keys are unique: "machine",
// "fleet", "lamp/NAME", "values/NAME", "device/NAME", "alarm/lamp/NAME",
// "alarm/device/NAME". Those of "values" may be missing: older versions wrote none.
type Part struct {
	Key  string
	Data []byte
}

type machineState struct {
	Config  Config    `json:"config"`
	At      time.Time `json:"at,omitzero"`
	Started bool      `json:"started"`
}

// Snapshot returns the Machine's whole state, the same bytes for the same
// state. It is EachPart for who wants all of it at once, such as a test.
func (m *Machine) Snapshot() ([]Part, error) {
	parts := make([]Part, 0, 2+3*len(m.lamps)+2*len(m.devices))
	err := m.EachPart(func(p Part) error {
		parts = append(parts, p)
		return nil
	})
	return parts, err
}

// EachPart calls fn for each part of a snapshot, in order, so that they need
// not all be in memory at once. An error of fn ends it and is returned.
func (m *Machine) EachPart(fn func(Part) error) error {
	head, err := json.Marshal(machineState{Config: m.cfg, At: m.at, Started: m.started})
	if err != nil {
		return fmt.Errorf("rules: snapshot: %w", err)
	}
	if err := fn(Part{"machine", head}); err != nil {
		return err
	}
	if err := fn(Part{"fleet", m.fleet.marshal()}); err != nil {
		return err
	}
	for i, l := range m.lamps {
		b, err := l.learner.MarshalBinary()
		if err != nil {
			return fmt.Errorf("rules: snapshot: lamp %q: %w", l.cfg.Name, err)
		}
		if err := fn(Part{"lamp/" + l.cfg.Name, b}); err != nil {
			return err
		}
		if err := fn(Part{"values/" + l.cfg.Name, l.marshal()}); err != nil {
			return err
		}
		if err := fn(Part{"alarm/lamp/" + l.cfg.Name, m.alarms[i].marshal()}); err != nil {
			return err
		}
	}
	for i, d := range m.devices {
		if err := fn(Part{"device/" + d.cfg.Name, d.marshal()}); err != nil {
			return err
		}
		if err := fn(Part{"alarm/device/" + d.cfg.Name, m.alarms[len(m.lamps)+i].marshal()}); err != nil {
			return err
		}
	}
	return nil
}

// Restore makes a Machine of a snapshot; step the inputs that came after it
// next. The error says which part is damaged or of a newer version. It is
// Restorer for who has all of it at once.
func Restore(parts []Part) (*Machine, error) {
	var r Restorer
	for _, p := range parts {
		if err := r.Add(p); err != nil {
			return nil, err
		}
	}
	return r.Machine()
}

// Restorer makes a Machine of a snapshot that is read part by part, so that it
// is not in memory twice: Add each part in the order of Snapshot, then call
// Machine.
type Restorer struct {
	m     *Machine
	have  map[string]bool // keys added
	stale []string
}

// Add takes one part, and keeps nothing of it. The error says which part is
// damaged or of a newer version; the Restorer is of no use then.
func (r *Restorer) Add(p Part) error {
	err := r.add(p)
	if err != nil {
		return fmt.Errorf("rules: snapshot: part %q: %w", p.Key, err)
	}
	return nil
}

func (r *Restorer) add(p Part) error {
	if p.Key == "machine" {
		var head machineState
		if err := json.Unmarshal(p.Data, &head); err != nil {
			return err
		}
		r.m, r.stale = New(), nil
		r.m.at, r.m.started = head.At.UTC(), head.Started
		r.m.configure(&Input{Config: &head.Config})
		r.have = make(map[string]bool, 1+3*len(r.m.lamps)+2*len(r.m.devices))
		return nil
	}
	m := r.m
	if m == nil {
		return errors.New(`part "machine" must come first`)
	}
	r.have[p.Key] = true
	if p.Key == "fleet" {
		return m.fleet.unmarshal(p.Data)
	}
	key, isAlarm := strings.CutPrefix(p.Key, "alarm/")
	sort, name, _ := strings.Cut(key, "/")
	i, known := m.lampAt[name]
	if sort == "device" {
		i, known = m.deviceAt[name]
	}
	var err error
	switch {
	case !known:
	case isAlarm:
		if sort == "device" {
			i += len(m.lamps)
		}
		err = m.alarms[i].unmarshal(p.Data)
	case sort == "lamp":
		if err = m.lamps[i].learner.UnmarshalBinary(p.Data); errors.Is(err, learn.ErrVersion) {
			r.stale, err = append(r.stale, name), nil
			m.lamps[i].relearned = true // from nothing, if nothing is stored
		}
	case sort == "values":
		err = m.lamps[i].unmarshal(p.Data)
	case sort == "device":
		err = m.devices[i].unmarshal(p.Data)
	}
	return err
}

// Stale names the lamps whose learned state is of another version of the
// learner: hand the Machine's Relearn what is stored of them, from the oldest
// input to the last that the snapshot covers, before the first Step.
func (r *Restorer) Stale() []string { return r.stale }

// Relearn has a lamp learn from an input that was stepped before, without
// telling of it; see Restorer.Stale. Other inputs than readings, what a person
// taught, and a configuration without the lamp, over which it is forgotten, change
// nothing. If the lamp then shows otherwise than what was told last, the next InStart
// tells it.
func (m *Machine) Relearn(in Input) {
	if in.Kind == InConfig && in.Config != nil {
		for _, l := range m.lamps {
			if l.relearned && !slices.ContainsFunc(in.Config.Lamps, func(c LampConfig) bool { return c.Name == l.cfg.Name }) {
				l.learner = learn.New(l.cfg.Learn)
			}
		}
		return
	}
	i, ok := m.lampAt[in.Lamp]
	if !ok {
		return
	}
	switch in.Kind {
	case InReading:
		m.lamps[i].learner.Observe(in.At, in.Value)
	case InTeach:
		m.lamps[i].taught(&in)
	}
}

// Recall reminds a Machine that was made anew of an event that may have been before
// the oldest input there is, so that it is neither told again nor forgotten: what was
// told last of a lamp's state, that a board was silent, or that a lamp or board is out
// of service, which goes first. Other events change nothing.
func (m *Machine) Recall(e Event, acknowledged bool) {
	i, ok := m.lampAt[e.Lamp]
	if e.Lamp == "" {
		i, ok = m.deviceAt[e.Device]
		i += len(m.lamps)
	}
	if !ok {
		return
	}
	a := m.alarms[i]
	if e.Kind == OutOfService {
		a.s.Out = true
		return
	}
	begins, _ := a.effect(&m.cfg.Alarm, &e)
	switch {
	case begins == condLamp && a.s.Conds&condLamp == 0:
	case begins == condSilent && e.Lamp == "" && m.devices[i-len(m.lamps)].recall(&e, m.at):
		m.refresh(1 + i - len(m.lamps))
	default:
		return
	}
	a.begin(begins, e.Text, e.began())
	if acknowledged {
		a.acknowledge(begins)
	} else {
		a.s.Unacked = true
		a.news(begins, e.At)
		a.arm(&m.cfg.Alarm, m.at)
	}
	m.refresh(m.alarmPart(i))
}

// Machine returns the Machine of the parts that were added. The error says
// which part is missing.
func (r *Restorer) Machine() (*Machine, error) {
	m := r.m
	if m == nil {
		return nil, fmt.Errorf("rules: snapshot: part %q is missing", "machine")
	}
	keys := make([]string, 0, 1+2*len(m.lamps)+2*len(m.devices))
	keys = append(keys, "fleet")
	for _, l := range m.lamps {
		keys = append(keys, "lamp/"+l.cfg.Name, "alarm/lamp/"+l.cfg.Name)
	}
	for _, d := range m.devices {
		keys = append(keys, "device/"+d.cfg.Name, "alarm/device/"+d.cfg.Name)
	}
	for _, k := range keys {
		if !r.have[k] {
			return nil, fmt.Errorf("rules: snapshot: part %q is missing", k)
		}
	}
	m.fleet.configure(m.cfg.FoldDevices, m.devices) // with the state that was restored
	m.refreshAll()
	return m, nil
}
