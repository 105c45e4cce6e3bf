package notify

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"lampward/rules"
	"lampward/rules/span"
)

// Options are the Worker's knobs; zero values are good.
type Options struct {
	Outbox Outbox
	Routes []Route
	// Limits are knobs per route, by its name.
	Limits map[string]Limit
	// Now is the engine clock; nil: time.Now.
	Now func() time.Time
	// Log takes one line per attempt; nil: none.
	Log *slog.Logger
	// Backoff sets the waits between attempts.
	Backoff Backoff
	// Attempt is the limit of one attempt should the route's own not hold; 0: 1 h,
	// for a slow mail server may take many minutes.
	Attempt time.Duration
	// Grace is how long an attempt that is on its way may go on when Run's
	// context ends, so that a message is not broken off after the receiver has
	// it, and sent twice; 0: 3 s.
	Grace time.Duration
	// Poll is the longest wait between looks at the outbox, a safety net for
	// clocks that stop while the machine sleeps; 0: one minute.
	Poll time.Duration
	// Batch is the most deliveries taken from the outbox at once; 0: 200.
	Batch int
}

// Backoff sets how long failed deliveries are tried, and how often. The wait
// before attempt n+1 is chosen evenly between 0 and First * 2^(n-1), at most
// Max ("full jitter": common practice, no source), but never under Least.
type Backoff struct {
	First  time.Duration // 0: 2 s
	Max    time.Duration // 0: 10 min; one request in ten minutes harms no one, and an alert should not wait longer once the way is open
	Least  time.Duration // 0: 250 ms
	MaxAsk time.Duration // cap of a receiver's Retry-After; 0: 1 h
	// GiveUp is the age at which a message that still fails is parked as a
	// dead letter, after at least GiveUpTries attempts and half a day of this
	// run; 0: 30 days.
	GiveUp time.Duration
	// GiveUpTries; 0: 20.
	GiveUpTries int
	// Poison is the age, after GiveUpTries attempts, at which a message is
	// parked if the receiver itself keeps failing on it and took others in the
	// last hour: such a message would hold up its lamp's later ones. 0: 24 h.
	Poison time.Duration
	// Refused is the age, after GiveUpTries attempts, at which a message is
	// parked that the receiver finds wrong; at once, if it took another since it
	// found this one wrong before. 0: 3 h.
	Refused time.Duration
	// Rand returns numbers in [0, 1); nil: math/rand/v2.
	Rand func() float64
}

// Limit bounds what a route sends.
type Limit struct {
	// FoldOver is how many messages may be due at once for one lamp or device
	// until the route sends them as one, which says how it is now and what
	// happened meanwhile; and for how many lamps and devices until those of all
	// are sent as one, which lists them. 0: any number. Machines that take
	// CloudEvents want each event by itself; people do not.
	FoldOver int
	// Gap is the least time between two messages of one lamp or device; the
	// later one waits. 0: none.
	Gap time.Duration
	// Rate is the most messages in any Per; more wait. 0: no limit.
	Rate int
	// Per is the period of Rate; 0: one hour.
	Per time.Duration
}

// folder is a Route that can send several deliveries as one message.
type folder interface {
	SendFolded(ctx context.Context, ds []rules.Delivery) Outcome
}

// What one folded message holds at most.
const (
	maxFold      = 1000 // deliveries
	maxFoldLines = 50   // lamps and devices
)

// Worker takes what is due from the outbox and sends it. Each route has a
// goroutine of its own, so that a slow or dead one never delays another.
// Deliveries of one route and key go out in the order of their ids.
type Worker struct {
	o     Options
	loops []*routeLoop
}

// NewWorker returns a Worker; call its Run.
func NewWorker(o Options) *Worker {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Attempt <= 0 {
		o.Attempt = time.Hour
	}
	if o.Poll <= 0 {
		o.Poll = time.Minute
	}
	if o.Batch <= 0 {
		o.Batch = 200
	}
	if o.Grace <= 0 {
		o.Grace = 3 * time.Second
	}
	o.Backoff = o.Backoff.withDefaults()
	w := &Worker{o: o}
	for _, r := range o.Routes {
		w.loops = append(w.loops, newRouteLoop(&w.o, r))
	}
	return w
}

func (b Backoff) withDefaults() Backoff {
	def := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	def(&b.First, 2*time.Second)
	def(&b.Max, 10*time.Minute)
	def(&b.Least, 250*time.Millisecond)
	def(&b.MaxAsk, time.Hour)
	def(&b.GiveUp, 30*24*time.Hour)
	def(&b.Poison, 24*time.Hour)
	def(&b.Refused, 3*time.Hour)
	if b.GiveUpTries <= 0 {
		b.GiveUpTries = 20
	}
	if b.Rand == nil {
		b.Rand = rand.Float64
	}
	return b
}

// wait returns how long to wait after the n-th failed attempt, n from 1.
func (b *Backoff) wait(n int, ask time.Duration) time.Duration {
	top := b.Max
	if n-1 < 30 && b.First<<(n-1) < top {
		top = b.First << (n - 1)
	}
	w := time.Duration(b.Rand() * float64(top))
	return max(w, b.Least, min(ask, b.MaxAsk))
}

// Run sends until ctx ends, and returns when every goroutine has, within Grace.
// An attempt that has to be broken off is made again after the next start.
func (w *Worker) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	for _, l := range w.loops {
		wg.Go(func() { l.run(ctx) })
	}
	wg.Wait()
	return ctx.Err()
}

// Wake makes every route look at the outbox now. It does not block and may be
// called from anywhere, before Run too.
func (w *Worker) Wake() {
	for _, l := range w.loops {
		select {
		case l.wake <- struct{}{}:
		default:
		}
	}
}

// Trouble is a way to a person that does not work.
type Trouble struct {
	Route string
	Since time.Time // engine time of the first failure since it worked last
	Note  string    // what the last attempt came to; nothing secret is in it
	// Mistake tells that it will hardly work before a person puts something right.
	Mistake bool
}

// Troubles returns the routes whose last message was not accepted, or whose
// outbox fails, in the order of Options.Routes. It may be called from anywhere.
func (w *Worker) Troubles() (out []Trouble) {
	for _, l := range w.loops {
		l.mu.Lock()
		switch {
		case !l.outbox.Since.IsZero():
			out = append(out, l.outbox)
		case !l.trouble.Since.IsZero():
			out = append(out, l.trouble)
		}
		l.mu.Unlock()
	}
	return out
}

// routeLoop is the goroutine of one route and what only it touches.
type routeLoop struct {
	o     *Options
	route Route
	limit Limit
	log   *slog.Logger
	wake  chan struct{}

	began   time.Time // of the first look at the outbox
	fails   int       // failed attempts since the last success
	until   time.Time // the whole route rests until then
	success time.Time // of the last accepted message
	// recovered is set when the route works again after failures: what only
	// waits for its retry need not wait any longer.
	recovered bool
	pace      pacer
	unsaved   map[int64]func(context.Context) error // outcomes the outbox did not take yet

	mu              sync.Mutex // guards what others ask for
	trouble, outbox Trouble    // of the route and of the outbox; Since is zero: none
}

// note keeps in to since when something does not work, and why; "": it works.
func (l *routeLoop) note(to *Trouble, now time.Time, why string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case why == "":
		*to = Trouble{}
	case to.Since.IsZero():
		*to = Trouble{Route: l.route.Name(), Since: now, Note: why}
	default:
		to.Note = why
	}
}

func newRouteLoop(o *Options, r Route) *routeLoop {
	limit := o.Limits[r.Name()]
	return &routeLoop{
		o: o, route: r, limit: limit,
		log:     o.Log.With("route", r.Name()),
		wake:    make(chan struct{}, 1),
		pace:    newPacer(limit),
		unsaved: map[int64]func(context.Context) error{},
	}
}

func (l *routeLoop) run(ctx context.Context) {
	trouble := 0 // of the outbox, in a row
	for ctx.Err() == nil {
		next, err := l.pass(ctx)
		now := l.o.Now()
		wait := l.o.Poll
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			trouble++
			l.note(&l.outbox, now, "the outbox fails: "+err.Error())
			wait = min(wait, time.Second<<min(trouble, 6))
			l.log.Error("the outbox failed; nothing is lost, it will be asked again", "error", err, "in", wait)
		default:
			trouble = 0
			l.note(&l.outbox, now, "")
			if !next.IsZero() {
				wait = min(wait, max(0, next.Sub(now)))
			}
		}
		if wait <= 0 {
			continue
		}
		t := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-l.wake:
		case <-t.C:
		}
		t.Stop()
	}
}

// pass sends what is due and may go, and returns when to look again; zero:
// when woken.
func (l *routeLoop) pass(ctx context.Context) (time.Time, error) {
	if err := l.save(ctx); err != nil {
		return time.Time{}, err
	}
	now := l.o.Now()
	if l.began.IsZero() {
		if err := l.recall(ctx, now); err != nil {
			return time.Time{}, fmt.Errorf("read what was sent before the start: %w", err)
		}
		if err := l.remember(ctx, now); err != nil {
			return time.Time{}, fmt.Errorf("read what had failed before the start: %w", err)
		}
		l.began = now
	}
	if now.Before(l.until) {
		return l.until, nil
	}
	look := now
	if l.recovered {
		look = now.Add(l.o.Backoff.MaxAsk)
	}
	due, next, err := l.o.Outbox.Due(ctx, look, l.o.Batch, []string{l.route.Name()})
	if err != nil {
		return time.Time{}, fmt.Errorf("read what is due: %w", err)
	}
	sent := 0
	held := map[string]bool{} // keys that must wait, their later messages with them
	due = slices.DeleteFunc(due, func(d rules.Delivery) bool {
		if d.Due.After(now) && d.Attempts == 0 { // held for its hour, not for a retry
			held[d.Key] = true
			next = earlier(next, d.Due)
		}
		return held[d.Key]
	})
	for ctx.Err() == nil {
		if now = l.o.Now(); now.Before(l.until) {
			return l.until, nil
		}
		ready, at := l.ready(due, held, now)
		if !at.IsZero() {
			next = earlier(next, at)
		}
		if len(ready) == 0 {
			break
		}
		msg, err := l.message(ctx, ready, now, look)
		if err != nil {
			return time.Time{}, fmt.Errorf("make up a message: %w", err)
		}
		apart, err := l.attempt(ctx, msg)
		if err != nil {
			return time.Time{}, err
		}
		if apart { // its parts go before what comes after it
			return now, nil
		}
		due = slices.DeleteFunc(due, msg.has)
		sent++
	}
	if sent > 0 {
		return now, nil // there may be more than fitted into the batch
	}
	l.recovered = false
	if !next.IsZero() && !next.After(now) {
		next = now.Add(time.Second) // due by the outbox's account but not given: no reason to ask in a tight loop
	}
	return next, nil
}

// recall counts what went out before this start against the limits, or a daemon
// that starts again and again would keep none.
func (l *routeLoop) recall(ctx context.Context, now time.Time) error {
	window := l.limit.Gap
	if l.limit.Rate > 0 {
		window = max(window, l.pace.limit.Per)
	}
	if window <= 0 {
		return nil
	}
	var message []rules.Delivery
	var when time.Time
	count := func() {
		if len(message) > 0 {
			l.pace.sent(message, when)
		}
	}
	err := l.o.Outbox.Recent(ctx, l.route.Name(), now.Add(-window), func(d rules.Delivery, at time.Time) {
		if d.Fold <= 0 || len(message) == 0 || d.Fold != message[0].Fold {
			count()
			message, when = nil, at
		}
		message = append(message, d)
	})
	count()
	return err
}

// remember takes it that the route fails since the oldest message that was tried in vain
// before this start, or the last that it took since: a restart mends nothing, and whoever
// asks, or is told by an outside watcher, would not hear of it for as long again.
func (l *routeLoop) remember(ctx context.Context, now time.Time) error {
	waits, _, err := l.o.Outbox.Due(ctx, now.Add(l.o.Backoff.MaxAsk), l.o.Batch, []string{l.route.Name()})
	if err != nil {
		return err
	}
	var since time.Time
	tries := 0
	for _, d := range waits {
		if d.Attempts > 0 {
			since, tries = earlier(since, d.Event.At), max(tries, d.Attempts)
		}
	}
	if tries == 0 {
		return nil
	}
	err = l.o.Outbox.Recent(ctx, l.route.Name(), since, func(_ rules.Delivery, at time.Time) { since = at })
	if err != nil {
		return err
	}
	l.note(&l.trouble, since, fmt.Sprintf("tried %s before the last start", span.Count(tries, "time")))
	return nil
}

// ready returns those of due that may go now, in order, and when the first of
// those that the gap or the rate holds back may; zero if none is held back.
func (l *routeLoop) ready(due []rules.Delivery, held map[string]bool, now time.Time) (ready []rules.Delivery, at time.Time) {
	for _, d := range due {
		if _, ok := l.unsaved[d.ID]; ok || held[d.Key] {
			continue
		}
		if free := l.pace.free(d.Key, now); free.After(now) {
			at = earlier(at, free)
			continue
		}
		ready = append(ready, d)
	}
	return ready, at
}

// message is what goes out at once: one delivery, or several folded into one.
type message struct {
	ds []rules.Delivery // in order of ID
	// open tells that nothing of it can have arrived yet: before this attempt
	// nobody had decided what it is made of.
	open bool
	// recorded tells that the outbox knows what it is made of.
	recorded bool
}

func (m *message) has(d rules.Delivery) bool {
	return slices.ContainsFunc(m.ds, func(x rules.Delivery) bool { return x.ID == d.ID })
}

// message returns what goes out next, the first of ready or more with it, and
// has it recorded before it is first sent: whatever happens then, even if the
// daemon dies, none of it is ever part of another message, until it was refused
// or nothing of it has left this machine. A route that does not fold has nothing
// recorded until an attempt has failed, and saves the disk the work.
func (l *routeLoop) message(ctx context.Context, ready []rules.Delivery, now, look time.Time) (message, error) {
	first := ready[0]
	_, folds := l.route.(folder)
	switch {
	case first.Fold > 0 && folds:
		ds, err := l.o.Outbox.Folded(ctx, first.Fold)
		if err == nil && len(ds) == 0 {
			err = fmt.Errorf("message %d is gone", first.Fold)
		}
		return message{ds: ds, recorded: true}, err
	case first.Fold > 0:
		return message{ds: ready[:1], recorded: true}, l.o.Outbox.Unfold(ctx, first.Fold)
	case first.Fold != 0:
		return message{ds: ready[:1], recorded: true}, nil
	case !folds || l.limit.FoldOver <= 0:
		return message{ds: ready[:1], open: true}, nil
	}
	m := message{open: true, recorded: true}
	var heads []rules.Delivery // the first of each line
	seen := map[string]bool{}
	for _, d := range ready {
		if d.Fold == 0 && !seen[d.Key] {
			heads = append(heads, d)
		}
		seen[d.Key] = true
	}
	if len(heads) <= l.limit.FoldOver {
		heads = heads[:1]
	}
	for _, h := range heads[:min(len(heads), maxFoldLines)] {
		if len(m.ds) == maxFold {
			break
		}
		line, err := l.o.Outbox.Line(ctx, h.ID, look, maxFold-len(m.ds))
		if err != nil {
			return message{}, err
		}
		held := slices.IndexFunc(line, func(d rules.Delivery) bool { return d.Due.After(now) && d.Attempts == 0 })
		if held >= 0 {
			line = line[:held]
		}
		m.ds = append(m.ds, line...)
	}
	if len(m.ds) <= l.limit.FoldOver {
		m.ds = ready[:1]
	}
	slices.SortFunc(m.ds, func(a, b rules.Delivery) int { return cmp.Compare(a.ID, b.ID) })
	ids := make([]int64, len(m.ds))
	for i := range m.ds {
		ids[i] = m.ds[i].ID
	}
	return m, l.o.Outbox.Fold(ctx, ids)
}

// attempt sends a message and records what came of it. After a failure the
// whole route rests, so no later message of its keys can overtake it. A folded
// message that is refused was taken apart.
func (l *routeLoop) attempt(ctx context.Context, m message) (apart bool, err error) {
	out := l.send(ctx, m.ds)
	if ctx.Err() != nil && out.Kind != Delivered { // stopped: not the receiver's fault, so not counted
		if !m.recorded && !out.Unsent { // but it may have arrived
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			_ = l.o.Outbox.Fold(ctx, []int64{m.ds[0].ID})
		}
		return false, nil
	}
	now := l.o.Now()
	first, newest := &m.ds[0], &m.ds[len(m.ds)-1]
	switch out.Kind {
	case Delivered:
		l.recovered = l.recovered || l.fails > 0
		l.fails, l.success = 0, now
		l.note(&l.trouble, now, "")
		l.pace.sent(m.ds, now)
	case Again:
		l.fails++
		l.recovered = false
		// The route as a whole rests a little, longer each time, so that a
		// dead one is not asked for each of a thousand messages; a minute at
		// most, so that its return is noticed soon.
		rest := min(time.Minute, time.Second<<min(l.fails-1, 6))
		rest = time.Duration((0.5 + 0.5*l.o.Backoff.Rand()) * float64(rest))
		if out.Busy {
			rest = max(rest, min(out.After, l.o.Backoff.MaxAsk))
		}
		l.until = now.Add(rest)
	}
	if out.Kind != Delivered {
		l.note(&l.trouble, now, cmp.Or(out.Note, "no answer"))
		l.mu.Lock()
		l.trouble.Mistake = out.Mistake && len(m.ds) == 1 // of several, one may be to blame
		l.mu.Unlock()
	}
	tries := 0
	for i := range m.ds {
		tries = max(tries, m.ds[i].Attempts+1)
	}
	// Of several, the newest tells for how long they have been tried together.
	kind, reason := l.verdict(newest.Event.At, tries, len(m.ds), out, now)
	log := l.log.With("event", first.EventID, "about", first.Key, "attempt", tries, "note", out.Note)
	if n := len(m.ds); n > 1 {
		if kind == Never { // one of them, or the sum of them, may be to blame
			l.log.Warn("a folded message was refused; its messages are sent one by one", "message", foldID(m.ds), "messages", n, "reason", reason)
			if m.open {
				return true, l.o.Outbox.Unfold(ctx, first.ID)
			}
			return true, l.o.Outbox.Unfold(ctx, first.Fold)
		}
		log = l.log.With("message", foldID(m.ds), "messages", n, "newest", newest.EventID, "attempt", tries, "note", out.Note)
		out.Note = fmt.Sprintf("%s (one message with %s)", out.Note, span.Count(n-1, "other"))
	}
	switch kind {
	case Delivered:
		log.Info("delivered")
		l.unsaved[first.ID] = func(ctx context.Context) error { return l.o.Outbox.Sent(ctx, first.ID, now, out.Note) }
	case Never:
		log.Error("given up; kept as a dead letter, to be sent again by hand", "reason", reason)
		l.unsaved[first.ID] = func(ctx context.Context) error { return l.o.Outbox.Dead(ctx, first.ID, now, reason) }
	default:
		wait := l.o.Backoff.wait(tries, out.After)
		due := now.Add(wait).Truncate(time.Millisecond)
		log.Warn("not delivered; will be tried again", "in", wait.Round(time.Millisecond))
		l.unsaved[first.ID] = func(ctx context.Context) error {
			return l.o.Outbox.Retry(ctx, first.ID, now, due, out.Note, m.open && out.Unsent)
		}
	}
	return false, l.save(ctx)
}

// verdict is the outcome of a message that parts deliveries make up, given how
// often it has been tried, and since when.
func (l *routeLoop) verdict(since time.Time, tries, parts int, out Outcome, now time.Time) (OutcomeKind, string) {
	b := &l.o.Backoff
	others := !l.success.IsZero() && now.Sub(l.success) < time.Hour
	switch {
	case out.Kind == Never, out.Kind == Again && out.Refused && parts > 1:
		return Never, out.Note
	case out.Kind == Again && out.Refused && tries > 1 && others && l.fails == 1: // this failure is the first since a success
		return Never, "the receiver takes other messages but not this one: " + out.Note
	case out.Kind != Again || tries < b.GiveUpTries:
		return out.Kind, ""
	}
	age := now.Sub(since)
	switch {
	case age >= b.GiveUp && now.Sub(l.began) >= min(tryAnew, b.GiveUp), age >= b.Refused && out.Refused:
		return Never, fmt.Sprintf("tried %d times in %s, the last: %s", tries, days(age), out.Note)
	case age >= b.Poison && out.Answered && others:
		return Never, fmt.Sprintf("the receiver takes other messages but not this one, %d times in %s, the last: %s", tries, days(age), out.Note)
	}
	return Again, ""
}

// tryAnew is how long a run tries before it gives up what is old: the machine was off
// for weeks, or its clock, by which a start sets engine time, is wrong, and the network
// that keeps the message keeps the time server from saying so. One that starts
// again each day gives up all the same.
const tryAnew = 12 * time.Hour

func days(d time.Duration) string {
	return fmt.Sprintf("%.1f days", d.Hours()/24)
}

// save hands outcomes to the outbox that it has not taken yet. What was
// accepted by the receiver is recorded even while the daemon stops, so that
// it is not sent twice.
func (l *routeLoop) save(ctx context.Context) error {
	if len(l.unsaved) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	for id, record := range l.unsaved {
		if err := record(ctx); err != nil {
			return fmt.Errorf("record what became of a message: %w", err)
		}
		delete(l.unsaved, id)
	}
	return nil
}

// send makes the attempt, under the worker's own time limit; a route that
// panics has failed, and no more.
func (l *routeLoop) send(ctx context.Context, group []rules.Delivery) (out Outcome) {
	stop := ctx
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), l.o.Attempt)
	defer cancel()
	defer context.AfterFunc(stop, func() {
		t := time.AfterFunc(l.o.Grace, cancel)
		context.AfterFunc(ctx, func() { t.Stop() })
	})()
	defer func() {
		if p := recover(); p != nil {
			l.log.Error("a fault in lampward itself while sending", "panic", fmt.Sprint(p))
			out = Outcome{Kind: Again, Note: "a fault in lampward itself; see the log"}
		}
	}()
	if len(group) > 1 {
		return l.route.(folder).SendFolded(ctx, group)
	}
	return l.route.Send(ctx, group[0])
}

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || b.Before(a) {
		return b
	}
	return a
}

// pacer keeps a route's gap and rate. Its memory holds at most Rate times and
// one time per key that was sent within the gap.
type pacer struct {
	limit Limit
	last  map[string]time.Time
	times []time.Time // of the last Rate messages, oldest first
}

func newPacer(l Limit) pacer {
	if l.Per <= 0 {
		l.Per = time.Hour
	}
	return pacer{limit: l, last: map[string]time.Time{}}
}

// free returns when a message of the key may go: now, or later.
func (p *pacer) free(key string, now time.Time) time.Time {
	at := now
	if t, ok := p.last[key]; ok && p.limit.Gap > 0 {
		at = later(at, t.Add(p.limit.Gap))
	}
	if n := p.limit.Rate; n > 0 && len(p.times) >= n {
		at = later(at, p.times[len(p.times)-n].Add(p.limit.Per))
	}
	return at
}

func (p *pacer) sent(group []rules.Delivery, now time.Time) {
	if p.limit.Gap > 0 {
		for k, t := range p.last {
			if now.Sub(t) >= p.limit.Gap {
				delete(p.last, k)
			}
		}
		for _, d := range group {
			p.last[d.Key] = now
		}
	}
	if n := p.limit.Rate; n > 0 {
		p.times = append(p.times, now)
		p.times = p.times[max(0, len(p.times)-n):]
	}
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}
