package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"
	"unicode/utf8"

	"lampward/rules"
)

// Limits of what is taken in one piece; far above what a sound caller needs.
const (
	maxName   = 1 << 10 // bytes of a lamp's, device's or route's name
	maxJSON   = 4 << 20 // bytes of an event, or of an input kept as JSON
	maxNote   = 1 << 10 // bytes of a delivery's note; longer ones are cut
	maxRows   = 10_000  // rows one query gives
	batchRows = 4096    // inputs in one row of the log
)

// Record is one input with what came of it.
type Record struct {
	Input  rules.Input
	Events []rules.Event
	// Routes says for each event where it is to be sent; nil: nowhere.
	Routes [][]Target
	// Void takes back what waits, before the events are added.
	Void []Void
	// Offset is wall time minus engine time when the input came. Changes of
	// less than a second are not stored.
	Offset time.Duration
	// WallUncertain says that the wall clock was not yet set when the input
	// came, so that Offset is a guess.
	WallUncertain bool
}

// Target is one route that an event is to be sent to.
type Target struct {
	Route string
	Due   time.Time // engine time before which it is not sent
	Key   string    // Delivery.Key to order it by; empty: the event's own
}

// Void takes back the deliveries of a line, of some kinds, that wait for their
// first attempt. They are Sent from then on, with no attempt; one of which an
// attempt is under way goes by what comes of that.
type Void struct {
	Key   string // Delivery.Key
	Kinds []rules.Kind
	Note  string // why, for people
}

// Append stores records in order, in one transaction: inputs, events and
// outbox. With sync it returns when they are on disk; without, they survive a
// killed process at once, and a power cut after the next Append with sync or
// the next Sync.
//
// The inputs get the seqs firstSeq, firstSeq+1 and so on. On an error nothing
// is stored; ErrBadInput says that a record can never be, the message which
// one and why.
func (s *Store) Append(ctx context.Context, recs []Record, sync bool) (firstSeq int64, err error) {
	if len(recs) == 0 {
		return s.LastSeq() + 1, nil
	}
	for i := range recs {
		if err := checkRecord(&recs[i]); err != nil {
			return 0, s.fail(fmt.Sprintf("append record %d of %d", i+1, len(recs)), err)
		}
	}
	err = s.update(ctx, sync, func(t *tx) error {
		firstSeq = t.st.seq + 1
		a := appender{t: t, at: t.st.at, era: t.st.eras[len(t.st.eras)-1], eventRow: t.st.eventRow, outboxRow: t.st.outboxRow}
		for i := range recs {
			if err := a.add(&recs[i], firstSeq+int64(i)); err != nil {
				return fmt.Errorf("record %d of %d: %w", i+1, len(recs), err)
			}
		}
		if err := a.flush(); err != nil {
			return err
		}
		t.onCommit = append(t.onCommit, func(st *state) {
			st.seq, st.at = firstSeq+int64(len(recs))-1, a.at
			st.eventRow, st.outboxRow = a.eventRow, a.outboxRow
			st.eras = append(st.eras, a.eras...)
		})
		return nil
	})
	if err != nil {
		return 0, s.fail("append", err)
	}
	return firstSeq, nil
}

// Sync makes everything appended so far survive a power cut. It writes
// nothing of its own.
func (s *Store) Sync(ctx context.Context) error {
	// No commit is under way while the writer is held: what was appended is in
	// the file.
	w, err := s.takeWriter(ctx)
	if err != nil {
		return s.fail("sync", err)
	}
	defer func() { s.writer <- w }()
	// In WAL mode commits are in the log beside the database until a
	// checkpoint, which syncs for itself. SQLite keeps no lock on the log
	// that closing another descriptor of it could drop.
	if err := s.o.SyncFile(s.path + "-wal"); err != nil {
		return s.fail("sync", err)
	}
	return nil
}

// checkRecord finds what would not come back from storage as it went in.
func checkRecord(r *Record) error {
	in := &r.Input
	if err := checkTime("at", in.At); err != nil {
		return err
	}
	if err := errors.Join(checkFloat("value", &in.Value), checkFloat("volts", in.Volts), checkFloat("rssi", in.RSSI)); err != nil {
		return err
	}
	if len(r.Routes) != 0 && len(r.Routes) != len(r.Events) {
		return badInput("routes", fmt.Sprintf("%d for %d events", len(r.Routes), len(r.Events)))
	}
	for i := range r.Events {
		if err := checkTime("event's time", r.Events[i].At); err != nil {
			return err
		}
	}
	return nil
}

func checkFloat(what string, v *float64) error {
	if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
		return badInput(what, fmt.Sprintf("%v is not a number", *v))
	}
	return nil
}

// checkWords finds what SQLite or JSON would not give back.
func checkWords(words ...string) error {
	for _, w := range words {
		if !utf8.ValidString(w) {
			return badInput("input", fmt.Sprintf("%.40q is not UTF-8", w))
		}
		if len(w) > maxName {
			return badInput("input", fmt.Sprintf("%.40q... is longer than %d bytes", w, maxName))
		}
	}
	return nil
}

// maxMS is 1 January 9999; later ones have no RFC 3339 form.
var maxMS = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

func checkTime(what string, at time.Time) error {
	if ms := at.UnixMilli(); ms < 0 || ms >= maxMS {
		return badInput(what, at.Format(time.RFC3339)+" is not between the years 1970 and 9999")
	}
	if at.Nanosecond()%int(time.Millisecond) != 0 {
		return badInput(what, at.Format(time.RFC3339Nano)+" is not of whole milliseconds")
	}
	return nil
}

// appender writes the records of one transaction.
type appender struct {
	t         *tx
	at        int64
	era       era
	eras      []era // new ones
	eventRow  int64
	outboxRow int64

	log    *packer // inputs not yet written
	logSeq int64   // seq of the first
}

func (a *appender) add(r *Record, seq int64) error {
	in := &r.Input
	at := toMS(in.At)
	if at < a.at {
		return badInput("at", fmt.Sprintf("%s is before the newest input's %s", in.At.UTC().Format(timeText), fromMS(a.at).Format(timeText)))
	}
	if a.at != 0 && at-a.at > longGap {
		if err := a.t.setMeta(dropAfter, at+gapDoubt); err != nil {
			return err
		}
	}
	a.at = at
	if err := a.clock(r, seq, at); err != nil {
		return err
	}
	if k, ok := plain(in); ok {
		id, err := a.t.seriesID(k)
		if err != nil {
			return err
		}
		if a.log == nil {
			a.log, a.logSeq = newPacker(0), seq
		}
		a.log.add(pack(in, seq, id), true)
		if a.log.count >= batchRows {
			if err := a.flush(); err != nil {
				return err
			}
		}
	} else if err := a.other(in, seq, at); err != nil {
		return err
	}
	for _, v := range r.Void {
		if err := a.void(v); err != nil {
			return err
		}
	}
	for i := range r.Events {
		var targets []Target
		if len(r.Routes) != 0 {
			targets = r.Routes[i]
		}
		if err := a.event(&r.Events[i], seq, targets); err != nil {
			return fmt.Errorf("event %d: %w", i+1, err)
		}
	}
	return nil
}

// flush writes the packed inputs as a row of the log.
func (a *appender) flush() error {
	if a.log == nil {
		return nil
	}
	_, err := a.t.exec("INSERT INTO batch (seq, body) VALUES (?, ?)", a.logSeq, seal(a.logSeq, a.log.body))
	a.log = nil
	return err
}

const timeText = "2006-01-02T15:04:05.000Z07:00"

// otherInput is the stored form of inputs that are not plain.
type otherInput struct {
	rules.Input
	// MinusZero: Value is -0, which its omitempty would lose.
	MinusZero bool `json:"minus_zero,omitempty"`
}

func (a *appender) other(in *rules.Input, seq, at int64) error {
	body, err := encodeInput(in)
	if err != nil {
		return err
	}
	_, err = a.t.exec("INSERT INTO input (seq, at, body, sum) VALUES (?, ?, ?, ?)", seq, at, string(body), sumOf(seq, body))
	return err
}

// encodeInput gives the JSON of in, and makes sure that it says all of it.
func encodeInput(in *rules.Input) ([]byte, error) {
	if err := checkWords(string(in.Kind), in.Lamp, in.Device, in.Word, in.By); err != nil {
		return nil, err
	}
	o := otherInput{Input: *in, MinusZero: in.Value == 0 && math.Signbit(in.Value)}
	o.At = o.At.UTC()
	body, err := json.Marshal(o)
	if err != nil {
		return nil, badInput("input", err.Error())
	}
	if len(body) > maxJSON {
		return nil, badInput("input", fmt.Sprintf("is of %d bytes as JSON; the limit is %d", len(body), maxJSON))
	}
	var back otherInput
	if err := json.Unmarshal(body, &back); err != nil {
		return nil, badInput("input", err.Error())
	}
	again, err := json.Marshal(back)
	if err != nil || !bytes.Equal(body, again) {
		return nil, badInput("input", fmt.Sprintf("of kind %q does not read back as it was", in.Kind))
	}
	return body, nil
}

func decodeInput(seq int64, body []byte, sum int64) (rules.Input, error) {
	if int64(sumOf(seq, body)) != sum {
		return rules.Input{}, damagedRow("input", seq, errSum.Error())
	}
	var o otherInput
	if err := json.Unmarshal(body, &o); err != nil {
		return rules.Input{}, damagedRow("input", seq, err.Error())
	}
	o.At = o.At.UTC()
	if o.MinusZero {
		o.Value = math.Copysign(0, -1)
	}
	return o.Input, nil
}

// voidQuery leaves alone what was tried, or became part of a message.
const voidQuery = `UPDATE outbox INDEXED BY outbox_line SET state = 1, note = ?3
	WHERE state = 0 AND attempts = 0 AND fold = 0 AND key = (SELECT id FROM name WHERE name = ?1)
	AND (SELECT n.name FROM event e JOIN name n ON n.id = e.kind WHERE e.id = outbox.event) IN (SELECT value FROM json_each(?2))`

func (a *appender) void(v Void) error {
	kinds, err := json.Marshal(v.Kinds)
	if err != nil {
		return badInput("void", err.Error())
	}
	_, err = a.t.exec(voidQuery, v.Key, string(kinds), cut(v.Note))
	return err
}

// event writes an event and its deliveries.
func (a *appender) event(e *rules.Event, seq int64, targets []Target) error {
	body, err := json.Marshal(e)
	if err != nil {
		return badInput("event", err.Error())
	}
	if len(body) > maxJSON {
		return badInput("event", fmt.Sprintf("is of %d bytes as JSON; the limit is %d", len(body), maxJSON))
	}
	key, err := a.t.name(e.Key())
	if err != nil {
		return err
	}
	kind, err := a.t.name(string(e.Kind))
	if err != nil {
		return err
	}
	a.eventRow++
	// The row's time is the input's, which never decreases; the event's own
	// is in its JSON.
	if _, err := a.t.exec("INSERT INTO event (id, seq, at, key, kind, body, sum) VALUES (?, ?, ?, ?, ?, ?, ?)",
		a.eventRow, seq, a.at, key, kind, string(body), sumOf(a.eventRow, body)); err != nil {
		return err
	}
	for _, to := range targets {
		route, err := a.t.name(to.Route)
		if err != nil {
			return err
		}
		order := key
		if to.Key != "" {
			if order, err = a.t.name(to.Key); err != nil {
				return err
			}
		}
		a.outboxRow++
		if _, err := a.t.exec("INSERT INTO outbox (id, event, route, key, state, due, attempts, last, note) VALUES (?, ?, ?, ?, 0, ?, 0, 0, '')",
			a.outboxRow, a.eventRow, route, order, toMS(to.Due)); err != nil {
			return err
		}
	}
	return nil
}
