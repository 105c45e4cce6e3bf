package main

import (
	"io"
	"net"
	"net/http"
	"net/netip"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fromConn claims to come from elsewhere.
type fromConn struct {
	net.Conn
	addr string
}

func (c fromConn) RemoteAddr() net.Addr {
	a, err := net.ResolveTCPAddr("tcp", c.addr)
	if err != nil {
		panic(err)
	}
	return a
}

func TestConnLimit(t *testing.T) {
	conns := make(chan net.Conn, 100)
	l := limitConns(chanListener(conns), 10, 3, []netip.Prefix{netip.MustParsePrefix("198.51.100.0/24")})
	// dial tells whether a connection was taken.
	dial := func(addr string) (net.Conn, bool) {
		ours, theirs := net.Pipe()
		conns <- fromConn{theirs, addr}
		conns <- nil // ends Accept if the first was turned away
		c, err := l.Accept()
		if err != nil {
			_, err := ours.Read(make([]byte, 1))
			require.ErrorIs(t, err, io.EOF, "who is turned away is hung up on")
			return nil, false
		}
		<-conns
		return c, true
	}
	var open []net.Conn
	many := func(addr string, n int) (taken int) {
		for range n {
			if c, ok := dial(addr); ok {
				taken++
				open = append(open, c)
			}
		}
		return taken
	}
	assert.Equal(t, 3, many("192.0.2.1:1", 5))
	assert.Equal(t, 3, many("[2001:db8::1]:1", 3))
	assert.Equal(t, 0, many("[2001:db8::2]:1", 1), "the same /64")
	assert.Equal(t, 4, many("127.0.0.1:1", 9), "up to the limit of all")
	assert.Equal(t, 0, many("192.0.2.9:1", 1))
	for _, c := range open {
		_ = c.Close()
		_ = c.Close() // counts once
	}
	assert.Zero(t, l.open)
	assert.Empty(t, l.by)
	assert.Equal(t, 3, many("192.0.2.1:1", 5))
	assert.Equal(t, 7, many("198.51.100.4:1", 9), "a trusted proxy, through which many come")
}

// A refused request is answered and ended at once, not after the half second
// that the server waits for the client to have read it.
func TestConnLimitEndsAtOnce(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	srv := &http.Server{}
	done := make(chan error, 1)
	go func() { done <- srv.Serve(limitConns(ln, 10, 10, nil)) }()
	c, err := net.Dial("tcp", ln.Addr().String())
	require.NoError(t, err)
	defer c.Close()
	_, err = io.WriteString(c, "nonsense\r\n\r\n")
	require.NoError(t, err)
	// The end comes by CloseWrite: the server still has the connection then.
	all, err := io.ReadAll(c)
	require.NoError(t, err)
	assert.Contains(t, string(all), "400 Bad Request")
	_, ok := any(&limitedConn{Conn: c}).(interface{ CloseWrite() error })
	assert.True(t, ok)
	require.NoError(t, srv.Close())
	<-done
}

// chanListener accepts what is sent to it; nil is an error.
type chanListener chan net.Conn

func (l chanListener) Accept() (net.Conn, error) {
	if c := <-l; c != nil {
		return c, nil
	}
	return nil, net.ErrClosed
}
func (l chanListener) Close() error   { return nil }
func (l chanListener) Addr() net.Addr { return &net.TCPAddr{} }
