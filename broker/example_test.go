package broker_test

import (
	"context"
	"fmt"

	"lampward/broker"
)

// printer is a Sink that prints what it hears.
type printer struct{ quiet *broker.Quiet }

func (p printer) Publish(_ context.Context, m broker.Message) error {
	samples, err := broker.Decode(m.Payload, broker.DecodeOptions{Value: "/light"})
	if err != nil {
		p.quiet.Note("topic", m.Topic, string(broker.ReasonOf(err)), "a reading was dropped", "error", err)
		return nil // ignored on purpose: sending it again would not mend it
	}
	for _, s := range samples {
		fmt.Println(m.Topic, s.Value)
	}
	return nil // durable now: acknowledged to the board
}

func (printer) Link(_ context.Context, l broker.Link) { fmt.Println(l.Client, l.Word) }
func (printer) Uplink(context.Context, bool, string)  {}

// Be the broker that boards publish to, until the context ends.
func ExampleNewEmbedded() {
	hash, err := broker.HashPassword("a long password")
	if err != nil {
		fmt.Println(err)
		return
	}
	b, err := broker.NewEmbedded(broker.Options{
		Listen: "0.0.0.0:0",
		Accounts: []broker.Account{
			{Name: "tank", PasswordHash: hash, Publish: []string{"cellar/tank/#"}},
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel() // a real program ends it at SIGTERM
	fmt.Println(b.Run(ctx, printer{broker.NewQuiet(nil, 0)}))
	// Output: <nil>
}

func ExampleDecode() {
	samples, err := broker.Decode([]byte(`{"light":512,"batt":3.71}`), broker.DecodeOptions{Value: "/light", Battery: "/batt"})
	fmt.Println(samples[0].Value, *samples[0].Battery, err)

	_, err = broker.Decode([]byte(`{"light":512}`), broker.DecodeOptions{Value: "/lux"})
	fmt.Println(broker.ReasonOf(err), "-", err)
	// Output:
	// 512 3.71 <nil>
	// no_such_pointer - the payload "{\"light\":512}" has nothing at "/lux" (looked as far as its top): correct the pointer, or what the board sends; it has numbers at "/light"
}
