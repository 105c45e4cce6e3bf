package main

import (
	"net"
	"net/netip"
	"sync"

	"lampward/broker"
	"lampward/cmd/lampward/page"
)

// Most connections to the page: a person's browser opens a handful, and each
// that is open takes memory and a file descriptor that the broker may need.
const (
	pageConns     = 500 // in all
	pageConnsEach = 200 // from one address (IPv6: one /64). This machine, and trusted proxies: pageConns
)

// limitedListener turns connections away that are too many. It does not let
// them wait, for then those that say nothing would keep the others out.
type limitedListener struct {
	net.Listener
	most, each int
	proxies    []netip.Prefix // through which many come

	mu   sync.Mutex
	open int
	by   map[netip.Prefix]int
}

func limitConns(ln net.Listener, most, each int, proxies []netip.Prefix) *limitedListener {
	return &limitedListener{Listener: ln, most: most, each: each, proxies: proxies, by: map[netip.Prefix]int{}}
}

func (l *limitedListener) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if from, ok := l.take(c); ok {
			return &limitedConn{Conn: c, done: sync.OnceFunc(func() { l.leave(from) })}, nil
		}
		_ = c.Close()
	}
}

func (l *limitedListener) take(c net.Conn) (from netip.Prefix, ok bool) {
	each := l.each
	if from = broker.Peer(c.RemoteAddr().String()); from.Addr().IsLoopback() || l.proxy(c) {
		each = l.most
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open >= l.most || l.by[from] >= each {
		return from, false
	}
	l.open++
	l.by[from]++
	return from, true
}

func (l *limitedListener) proxy(c net.Conn) bool {
	from, err := netip.ParseAddrPort(c.RemoteAddr().String())
	return err == nil && page.Trusted(l.proxies, from.Addr())
}

func (l *limitedListener) leave(from netip.Prefix) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.open--
	if l.by[from]--; l.by[from] <= 0 {
		delete(l.by, from)
	}
}

type limitedConn struct {
	net.Conn
	done func()
}

func (c *limitedConn) Close() error {
	c.done()
	return c.Conn.Close()
}

// CloseWrite is what the HTTP server ends a refused request with, so that the
// client reads the answer at once.
func (c *limitedConn) CloseWrite() error {
	if w, ok := c.Conn.(interface{ CloseWrite() error }); ok {
		return w.CloseWrite()
	}
	return nil
}
