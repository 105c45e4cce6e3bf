package broker

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/netip"
	"sync"
	"time"
)

// Limits on guessing passwords.
const (
	guessesFree  = 5                // wrong passwords in a row from one address for one name before it has to wait
	guessesFar   = 50               // and from one IPv6 /48
	guessWait    = time.Second      // first wait; it doubles with each further wrong password
	guessWaitMax = 15 * time.Minute // longest wait
	guessKeep    = time.Hour        // how long a guesser is remembered
	guessersMost = 4096             // most guessers remembered
	checksAtOnce = 2                // password checks running at once: each takes 19 MiB
)

// accounts knows who may connect and what each may do. The zero map of it, no
// accounts, lets anyone in and do everything.
type accounts struct {
	byName map[string]*account
	dummy  *argonHash    // what an unknown name is checked against, to cost the same
	slots  chan struct{} // bounds password checks at once
	mac    []byte        // key of account.proven

	mu       sync.Mutex
	guessers map[guesser]*guesses
}

type account struct {
	Account
	hash *argonHash

	mu sync.Mutex
	// proven is a MAC of the last password that was right, under a key that
	// lives only in this process: a thousand boards that come back at once
	// after a power cut are not kept waiting for a thousand slow hashes.
	proven []byte
}

type guesser struct {
	addr netip.Prefix
	name string
}

// far is the /48 of an IPv6 guesser, who may have any /64 in it: less strict, for
// others may be in it as well. ok is false for others.
func (g guesser) far() (far guesser, ok bool) {
	a := g.addr.Addr()
	if !a.Is6() || a.IsLoopback() || a.IsLinkLocalUnicast() {
		return guesser{}, false
	}
	p, err := a.Prefix(48)
	return guesser{p, g.name}, err == nil
}

type guesses struct {
	wrong int
	until time.Time // no try before
	last  time.Time
}

var (
	errBadLogin    = errors.New("wrong user name or password")
	errGuessing    = errors.New("too many wrong passwords: made to wait")
	errNeedAccount = errors.New("no user name given, and accounts are configured")
)

func newAccounts(list []Account) (*accounts, error) {
	a := &accounts{byName: map[string]*account{}, guessers: map[guesser]*guesses{}, slots: make(chan struct{}, checksAtOnce)}
	if len(list) == 0 {
		return a, nil
	}
	var errs []error
	for i, acc := range list {
		where := fmt.Sprintf("account %d (%q)", i+1, acc.Name)
		if acc.Name == "" {
			errs = append(errs, fmt.Errorf("account %d: has no name: give it one", i+1))
		}
		if a.byName[acc.Name] != nil {
			errs = append(errs, fmt.Errorf("%s: the name is taken by an earlier account: give each its own", where))
		}
		h, err := parseHash(acc.PasswordHash)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: the password hash %w", where, err))
		}
		for _, f := range acc.Publish {
			if err := CheckFilter(f); err != nil {
				errs = append(errs, fmt.Errorf("%s: publish: %w", where, err))
			}
		}
		for _, f := range acc.Subscribe {
			if err := CheckFilter(f); err != nil {
				errs = append(errs, fmt.Errorf("%s: subscribe: %w", where, err))
			}
		}
		a.byName[acc.Name] = &account{Account: acc, hash: h}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	a.mac = make([]byte, 32)
	if _, err := rand.Read(a.mac); err != nil {
		return nil, fmt.Errorf("accounts: no random bytes: %w", err)
	}
	first := a.byName[list[0].Name].hash
	a.dummy = &argonHash{memory: first.memory, passes: first.passes, lanes: first.lanes,
		salt: make([]byte, hashSaltLen), key: make([]byte, len(first.key))}
	return a, nil
}

// open tells that there are no accounts.
func (a *accounts) open() bool { return len(a.byName) == 0 }

// login checks a name and password that came from addr.
func (a *accounts) login(ctx context.Context, addr netip.Prefix, name, pw string) (*account, error) {
	if a.open() {
		return nil, nil
	}
	if name == "" {
		return nil, errNeedAccount
	}
	who := guesser{addr, name}
	if !a.mayTry(who) {
		return nil, errGuessing
	}
	acc := a.byName[name]
	sum := hmac.New(sha256.New, a.mac)
	fmt.Fprintf(sum, "%d:%s%s", len(name), name, pw)
	proof := sum.Sum(nil)
	if acc != nil {
		acc.mu.Lock()
		ok := subtle.ConstantTimeCompare(acc.proven, proof) == 1
		acc.mu.Unlock()
		if ok {
			a.right(who)
			return acc, nil
		}
	}
	select {
	case a.slots <- struct{}{}:
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if !a.mayTry(who) { // others of the same guesser may have failed while this one waited
		<-a.slots
		return nil, errGuessing
	}
	h := a.dummy
	if acc != nil {
		h = acc.hash
	}
	ok := h.matches(pw) && acc != nil
	<-a.slots
	if !ok {
		a.wrong(who)
		return nil, errBadLogin
	}
	acc.mu.Lock()
	acc.proven = proof
	acc.mu.Unlock()
	a.right(who)
	return acc, nil
}

func (a *accounts) mayTry(who guesser) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := time.Now()
	may := func(who guesser) bool {
		g := a.guessers[who]
		return g == nil || !now.Before(g.until)
	}
	far, ok := who.far()
	return may(who) && (!ok || may(far))
}

func (a *accounts) right(who guesser) {
	a.mu.Lock()
	defer a.mu.Unlock()
	delete(a.guessers, who)
	if far, ok := who.far(); ok {
		delete(a.guessers, far)
	}
}

func (a *accounts) wrong(who guesser) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.count(who, guessesFree)
	if far, ok := who.far(); ok {
		a.count(far, guessesFar)
	}
}

// count counts a wrong password; a.mu is held.
func (a *accounts) count(who guesser, free int) {
	now := time.Now()
	g := a.guessers[who]
	if g == nil || now.Sub(g.last) > guessKeep {
		if g == nil && len(a.guessers) >= guessersMost {
			// Forget the one that has been quiet longest.
			var oldest guesser
			var at time.Time
			for k, v := range a.guessers {
				if at.IsZero() || v.last.Before(at) {
					oldest, at = k, v.last
				}
			}
			delete(a.guessers, oldest)
		}
		g = &guesses{}
		a.guessers[who] = g
	}
	g.last = now
	g.wrong++
	if over := g.wrong - free; over >= 0 {
		g.until = now.Add(min(guessWait<<min(over, 20), guessWaitMax))
	}
}

// mayPublish and maySubscribe tell what an account may do; a nil account is
// anyone, of a broker without accounts.
func (acc *account) mayPublish(topic string) bool {
	return acc == nil || coveredBy(acc.Publish, topic)
}

func (acc *account) maySubscribe(filter string) bool {
	return acc == nil || coveredBy(acc.Subscribe, unshared(filter))
}

func (acc *account) name() string {
	if acc == nil {
		return ""
	}
	return acc.Name
}

func coveredBy(allowed []string, filter string) bool {
	for _, a := range allowed {
		if Covers(a, filter) {
			return true
		}
	}
	return false
}
