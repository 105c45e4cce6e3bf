package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"time"
)

// Options describe the embedded broker.
type Options struct {
	// Listen is the TCP address to listen on, HOST:PORT; "": 127.0.0.1:1883.
	// Without Accounts only a loopback address is taken.
	Listen string
	// Accounts are those who may connect, and what each may publish and
	// subscribe to; none: anyone on this machine may do both.
	Accounts []Account
	// MaxPacket is the largest MQTT packet taken, in bytes; 0: 65536.
	MaxPacket uint32
	// MaxClients is how many connections may be open at once; 0: 2000.
	MaxClients int
	// MaxPerAddress is how many of them may come from one address; 0: 100,
	// or MaxClients for loopback addresses.
	MaxPerAddress int
	// ConnectDeadline is how long a connection may take until its CONNECT
	// packet has arrived; 0: 10 s.
	ConnectDeadline time.Duration
	// TLS, if set, makes the listener speak TLS; nil: plain TCP.
	TLS *tls.Config
	// Log takes the broker's log; nil: slog.Default().
	Log *slog.Logger
	// Ready, if set, is called once, when the broker listens, with its address.
	Ready func(addr net.Addr)
}

// Account is one user name of the embedded broker. It may do nothing that its
// lists do not name.
type Account struct {
	Name         string   // MQTT user name
	PasswordHash string   // as HashPassword gave it
	Publish      []string // topic filters it may publish to; none: nothing
	Subscribe    []string // topic filters it may subscribe to; none: nothing
}

// Embedded is lampward's own broker.
type Embedded struct {
	opts Options
}

// NewEmbedded checks the options and returns a broker that does nothing until
// Run.
func NewEmbedded(opts Options) (*Embedded, error) { return &Embedded{opts: opts}, nil }

// Addr is the address the broker listens on; nil before Ready.
func (e *Embedded) Addr() net.Addr { return nil }

// Run implements [Broker].
func (e *Embedded) Run(ctx context.Context, sink Sink) error {
	return errors.New("broker: embedded broker is being written")
}
