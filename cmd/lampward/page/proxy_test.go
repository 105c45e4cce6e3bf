package page

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func behindProxy(o *Options) {
	withAnn(o)
	o.TrustedProxies = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32"), netip.MustParsePrefix("172.18.0.0/16"), netip.MustParsePrefix("2001:db8:ff::/48")}
}

// via sends as the proxy at addr does, with what it says of the client.
func via(addr string, forwardedFor ...string) func(*http.Request) {
	return func(r *http.Request) {
		r.RemoteAddr = addr
		for _, f := range forwardedFor {
			r.Header.Add("X-Forwarded-For", f)
		}
	}
}

// Behind a proxy that is trusted, wrong passwords make only him wait who sent them,
// whatever he writes into the header himself.
func TestGuessingThroughAProxy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newServer(t, newFake(), behindProxy)
		try := func(pw string, change func(*http.Request)) int {
			return form(s, "/login", change, "name", "ann", "password", pw).Code
		}
		for i := range freeTries {
			assert.Equal(t, http.StatusUnauthorized, try("guess", via("127.0.0.1:1", fmt.Sprintf("198.51.100.%d, 192.0.2.66", i))))
		}
		assert.Equal(t, http.StatusTooManyRequests, try("guess", via("127.0.0.1:1", "198.51.100.99, 192.0.2.66")))
		assert.Equal(t, http.StatusTooManyRequests, try("guess", via("172.18.0.3:1", "198.51.100.99", "192.0.2.66, 127.0.0.1")), "through two proxies")
		assert.Equal(t, http.StatusSeeOther, try("secret", via("127.0.0.1:1", "203.0.113.7")), "the owner")
		time.Sleep(24*time.Hour + time.Second)

		// Who is no proxy is counted by where he comes from.
		for i := range freeTries {
			assert.Equal(t, http.StatusUnauthorized, try("guess", via("192.0.2.66:1", fmt.Sprintf("198.51.100.%d", i))))
		}
		assert.Equal(t, http.StatusTooManyRequests, try("guess", via("192.0.2.66:1", "198.51.100.99")))
		assert.Equal(t, http.StatusSeeOther, try("secret", via("198.51.100.1:1")))
	})
}

func TestClientBehindProxies(t *testing.T) {
	s := newServer(t, newFake(), behindProxy)
	for _, c := range []struct {
		from string
		list []string
		want string
	}{
		{"192.0.2.66:1234", nil, "192.0.2.66:1234"},
		{"192.0.2.66:1234", []string{"203.0.113.7"}, "192.0.2.66:1234"},
		{"127.0.0.1:1234", nil, "127.0.0.1:0"},
		{"127.0.0.1:1234", []string{""}, "127.0.0.1:0"},
		{"127.0.0.1:1234", []string{"203.0.113.7"}, "203.0.113.7:0"},
		{"[::ffff:127.0.0.1]:1234", []string{"203.0.113.7"}, "203.0.113.7:0"},
		{"127.0.0.1:1234", []string{"203.0.113.7:5555"}, "203.0.113.7:0"},
		{"127.0.0.1:1234", []string{"2001:db8::7"}, "[2001:db8::7]:0"},
		{"127.0.0.1:1234", []string{"[2001:db8::7]"}, "[2001:db8::7]:0"},
		{"127.0.0.1:1234", []string{"[2001:db8::7]:5555"}, "[2001:db8::7]:0"},
		{"127.0.0.1:1234", []string{"fe80::1%eth0"}, "[fe80::1]:0"},
		{"127.0.0.1:1234", []string{"::ffff:203.0.113.7"}, "203.0.113.7:0"},
		{"[2001:db8:ff::2]:1234", []string{"1.1.1.1, 203.0.113.7 ,172.18.0.9"}, "203.0.113.7:0"},
		{"127.0.0.1:1234", []string{"203.0.113.7", "172.18.0.9"}, "203.0.113.7:0"},
		{"127.0.0.1:1234", []string{"203.0.113.7, unknown, 172.18.0.9"}, "172.18.0.9:0"},
		{"127.0.0.1:1234", []string{"127.0.0.1"}, "127.0.0.1:0"},
		{"no address", []string{"203.0.113.7"}, "no address"},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		via(c.from, c.list...)(r)
		r.Header.Set("Forwarded", "for=198.51.100.1;proto=https") // which is not read
		assert.Equal(t, c.want, s.behind(r).RemoteAddr, "%s %q", c.from, c.list)
		assert.Equal(t, c.from, r.RemoteAddr)
	}
}

// A proxy that ends TLS has cookies insist on it; a page that is opened without
// it beside the proxy has its own.
func TestCookieThroughAProxy(t *testing.T) {
	s := newServer(t, newFake(), behindProxy)
	proto := func(addr, proto string) func(*http.Request) {
		return func(r *http.Request) { r.RemoteAddr = addr; r.Header.Set("X-Forwarded-Proto", proto) }
	}
	for _, c := range []struct {
		addr, proto string
		secure      bool
	}{
		{"127.0.0.1:1", "https", true}, {"127.0.0.1:1", "HTTPS, http", true},
		{"127.0.0.1:1", "http", false}, {"127.0.0.1:1", "", false}, {"192.0.2.66:1", "https", false},
	} {
		got := form(s, "/login", proto(c.addr, c.proto), "name", "ann", "password", "secret").Result().Cookies()
		require.Len(t, got, 1)
		assert.Equal(t, c.secure, got[0].Secure, "%+v", c)
		assert.Equal(t, c.secure, got[0].Name == "__Host-lampward", "%+v", c)
		in := func(more func(*http.Request)) bool {
			return ask(s, "GET", "/", nil, func(r *http.Request) { more(r); r.AddCookie(got[0]) }).Code == 200
		}
		assert.True(t, in(proto(c.addr, c.proto)))
		assert.Equal(t, !c.secure, in(proto("127.0.0.1:1", "http")), "%+v", c)
		out := form(s, "/logout", func(r *http.Request) { proto(c.addr, c.proto)(r); r.AddCookie(got[0]) }).Result().Cookies()
		require.Len(t, out, 1)
		assert.Equal(t, got[0].Name, out[0].Name)
		assert.False(t, in(proto(c.addr, c.proto)))
	}
}
