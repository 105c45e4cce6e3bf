// Bare is what the memory of lampward is measured against: the broker library
// with a subscriber that does nothing, and an open SQLite database that was
// written and read. It prints "ready" and ends when its input does.
package main

import (
	"database/sql"
	"fmt"
	"io"
	"log"
	"log/slog"
	"os"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	_ "modernc.org/sqlite"
)

func main() {
	db, err := sql.Open("sqlite", "file:"+os.Args[1]+"?_pragma=journal_mode(wal)")
	must(err)
	_, err = db.Exec("CREATE TABLE IF NOT EXISTS reading (id INTEGER PRIMARY KEY, value REAL)")
	must(err)
	_, err = db.Exec("INSERT INTO reading (value) VALUES (1)")
	must(err)
	var n int
	must(db.QueryRow("SELECT count(*) FROM reading").Scan(&n))
	s := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	must(s.AddHook(new(allowAll), nil))
	must(s.AddListener(listeners.NewTCP(listeners.Config{ID: "tcp", Address: os.Args[2]})))
	must(s.Subscribe("#", 1, func(*mochi.Client, packets.Subscription, packets.Packet) {}))
	must(s.Serve())
	fmt.Fprintln(os.Stderr, "ready")
	_, _ = io.Copy(io.Discard, os.Stdin)
	must(s.Close())
	must(db.Close())
}

func must(err error) {
	if err != nil {
		log.Fatal(err)
	}
}

// allowAll lets everyone do everything.
type allowAll struct{ mochi.HookBase }

func (allowAll) ID() string { return "allow-all" }

func (allowAll) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (allowAll) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (allowAll) OnACLCheck(*mochi.Client, string, bool) bool { return true }
