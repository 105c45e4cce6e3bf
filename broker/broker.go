// Package broker turns MQTT into inputs: readings, and news of who is
// connected.
//
// Call [NewEmbedded] to be the broker that boards publish to, or [NewExternal]
// to listen to one that already runs; then call Run of either with your
// [Sink]. Run blocks until its context ends and everything it started has
// stopped. For each [Message] the sink gets, [Decode] finds the numbers in the
// payload, and [Quiet] logs what is wrong with a payload once instead of each
// time.
//
// Either broker acknowledges a reading of QoS 1 or 2 to its sender only after
// Sink.Publish returned nil, or a [LaterSink] said so. A reading that the sink
// refuses stays with its sender, which sends it again.
package broker

import (
	"context"
	"time"

	"lampward/rules"
)

// Message is one PUBLISH that reached the broker.
// Topic and Payload are only valid during the call that hands them over.
type Message struct {
	Topic   string
	Payload []byte
	Client  string // MQTT client id; "" if unknown (external broker)
	QoS     byte   // 0, 1 or 2, as the sender published (embedded) or as delivered (external)
	// Retained tells that the message was delivered because the broker had
	// stored it: it is old and no sign of life. A board that publishes with
	// RETAIN set gives a fresh reading: the embedded broker, which hears the
	// board itself, never sets Retained.
	Retained bool
	// Dup is the DUP flag: the sender may have sent the message before. Copies
	// of what was taken a moment ago (the last messages of each client, for a
	// minute or more) are acknowledged and never reach the sink; so a Dup
	// message is new, as far as this process knows. It may still be a copy
	// where lampward restarted in between, and it may be late.
	Dup bool
}

// Words of [Link], which are those of rules.Input.
const (
	LinkUp     = rules.LinkUp
	LinkClosed = rules.LinkClosed
	LinkLost   = rules.LinkLost
	LinkWill   = rules.LinkWill
)

// Link is news of a client's connection to the embedded broker.
type Link struct {
	Client    string        // MQTT client id
	Word      string        // LinkUp, LinkClosed, LinkLost or LinkWill
	Topic     string        // the topic of the client's will; "" if it has none
	Reason    string        // LinkLost, LinkClosed: what happened, for people
	KeepAlive time.Duration // what the client asked for; 0: none
}

// Sink takes what the broker heard. Its methods are called from many
// goroutines at once; those of one client come in the order it sent them.
type Sink interface {
	// Publish takes one message. It returns nil once the message is durable
	// (or on purpose ignored): only then is it acknowledged to its sender. An
	// error refuses it: the sender is made to send it again.
	Publish(ctx context.Context, m Message) error
	// Link takes news of a client. It must not block for long.
	Link(ctx context.Context, l Link)
	// Uplink takes news of lampward's own connection to an external broker;
	// reason says, for people, why it went down, and is for the sink to log. While it
	// is down, it is told again if another reason keeps it from coming back. It must
	// not block for long.
	Uplink(ctx context.Context, up bool, reason string)
}

// Broker is what both kinds of broker are to the daemon.
type Broker interface {
	// Run serves until ctx ends, and returns once everything it started has
	// stopped: nil after a stop that ctx asked for, else what went wrong. It
	// can be called once.
	Run(ctx context.Context, sink Sink) error
}
