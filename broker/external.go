package broker

import (
	"context"
	"errors"
	"log/slog"
)

// ExternalOptions describe the connection to a broker that already runs.
type ExternalOptions struct {
	// URL of the broker: mqtt://, tcp:// (plain), mqtts://, ssl:// (TLS),
	// ws://, wss://. User and password may stand in it; they are never logged.
	URL string
	// Topics are subscribed to, exactly these, at QoS 1.
	Topics []string
	// ClientID is the MQTT client id; the broker keeps readings for it while
	// lampward is away, so it must stay the same and be no one else's.
	// "": "lampward".
	ClientID string
	// User is the user name; "": the one in URL, if any.
	User string
	// PasswordFile is a file whose first line is the password, read at each
	// connect; "": the password in URL, if any.
	PasswordFile string
	// CAFile is a PEM file of the authorities that vouch for the broker's
	// certificate; "": the system's.
	CAFile string
	// CertFile and KeyFile are PEM files of the certificate to show to the
	// broker; "": none.
	CertFile, KeyFile string
	// Log takes the log; nil: slog.Default().
	Log *slog.Logger
}

// External listens to a broker that already runs.
type External struct {
	opts ExternalOptions
}

// NewExternal checks the options and returns a broker that does nothing until
// Run.
func NewExternal(opts ExternalOptions) (*External, error) { return &External{opts: opts}, nil }

// Run implements [Broker].
func (x *External) Run(ctx context.Context, sink Sink) error {
	return errors.New("broker: external broker is being written")
}
