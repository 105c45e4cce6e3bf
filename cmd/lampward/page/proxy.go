package page

import (
	"context"
	"net/http"
	"net/netip"
	"slices"
	"strings"
)

// Behind a reverse proxy every request comes from the proxy's address, and as
// plain HTTP. What it says of the client counts where it is a trusted one, and
// from nobody else, for anybody can write these headers.
//
// Read are X-Forwarded-For and X-Forwarded-Proto (common practice, no source).
// Forwarded (RFC 7239) is not: a proxy that sets one of the two passes on the
// other as the client wrote it, so to believe either is to believe the client.

type tlsKey struct{}

// behind returns a request as the trusted proxy in front of it, if there is
// one, received it.
func (s *Server) behind(r *http.Request) *http.Request {
	hop, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !s.trusts(plainAddr(hop.Addr())) {
		return r
	}
	ctx := r.Context()
	if proto, _, _ := strings.Cut(r.Header.Get("X-Forwarded-Proto"), ","); strings.EqualFold(strings.TrimSpace(proto), "https") {
		ctx = context.WithValue(ctx, tlsKey{}, true)
	}
	r = r.WithContext(ctx) // a copy: what the server knows of the connection stays
	r.RemoteAddr = netip.AddrPortFrom(s.client(plainAddr(hop.Addr()), r.Header.Values("X-Forwarded-For")), 0).String()
	return r
}

// client is the address that the trusted proxies, of which hop is the nearest,
// had the request from. Each appends the one that it had it from, so that all
// before the last that is no trusted proxy is what a client wrote.
func (s *Server) client(hop netip.Addr, forwarded []string) netip.Addr {
	for _, from := range slices.Backward(strings.Split(strings.Join(forwarded, ","), ",")) {
		a, ok := forwardedAddr(strings.TrimSpace(from))
		if !ok {
			return hop
		}
		if hop = a; !s.trusts(hop) {
			return hop
		}
	}
	return hop
}

func (s *Server) trusts(a netip.Addr) bool { return Trusted(s.o.TrustedProxies, a) }

// Trusted tells whether an address is that of one of the proxies, or in one's network,
// as which IPv4 within IPv6, and an address with a zone, count, too.
func Trusted(proxies []netip.Prefix, a netip.Addr) bool {
	a = plainAddr(a)
	return slices.ContainsFunc(proxies, func(p netip.Prefix) bool { return p.Contains(a) })
}

// forwardedAddr reads one address of X-Forwarded-For, to which some proxies add
// the port.
func forwardedAddr(s string) (netip.Addr, bool) {
	if a, err := netip.ParseAddr(strings.Trim(s, "[]")); err == nil {
		return plainAddr(a), true
	}
	ap, err := netip.ParseAddrPort(s)
	return plainAddr(ap.Addr()), err == nil
}

func plainAddr(a netip.Addr) netip.Addr { return a.Unmap().WithZone("") }

// overTLS tells whether a request came to the page, or to the trusted proxy
// before it, by TLS.
func (d *doorkeeper) overTLS(r *http.Request) bool {
	behind, _ := r.Context().Value(tlsKey{}).(bool)
	return d.o.Secure || behind
}
