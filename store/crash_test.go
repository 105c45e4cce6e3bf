package store

import (
	"bufio"
	"context"
	"database/sql/driver"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"modernc.org/sqlite"

	"lampward/rules"
)

// The crash tests run this test binary again as a child that appends in a
// loop and says what was acknowledged, kill it at a random moment, and look
// at what is left.
const crashEnv = "LAMPWARD_STORE_CRASH_DIR"

func TestMain(m *testing.M) {
	if dir := os.Getenv(crashEnv); dir != "" {
		crashChild(dir, os.Getenv(crashEnv+"_HOW"))
		return
	}
	os.Exit(m.Run())
}

// noTransactions turns BEGIN, COMMIT and ROLLBACK into nothing: each
// statement commits by itself. It is what the crash test must catch.
type noTransactions struct{ driver.Connector }

func (c noTransactions) Connect(ctx context.Context) (driver.Conn, error) {
	conn, err := c.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	return noTxConn{conn.(sqliteConn)}, nil
}

type noTxConn struct{ sqliteConn }

func (c noTxConn) ExecContext(ctx context.Context, q string, args []driver.NamedValue) (driver.Result, error) {
	if strings.HasPrefix(q, "BEGIN") || q == "COMMIT" || q == "ROLLBACK" {
		q = "SELECT 1"
	}
	return c.sqliteConn.ExecContext(ctx, q, args)
}

// crashRecord makes the nth record a child appends: every third has an event
// for two routes.
func crashRecord(n int64) Record {
	at := day0.Add(time.Duration(n) * 50 * time.Second)
	if n%3 != 0 {
		return reading(at, fmt.Sprintf("lamp%d", n%4), float64(n))
	}
	r := alert(at, fmt.Sprintf("lamp%d", n%4), rules.Lit, "phone", "mail")
	r.Input.Value = float64(n)
	r.Events[0].Value = float64(n)
	return r
}

func crashChild(dir, how string) {
	ctx := context.Background()
	o := Options{Dir: dir, Log: quiet()}
	if how == "broken" {
		o.Connector = func(dsn string) (driver.Connector, error) {
			c, err := sqlite.NewConnector(dsn)
			return noTransactions{c}, err
		}
	}
	s, err := Open(ctx, o)
	if err != nil {
		fmt.Println("error", err)
		return
	}
	r := rand.New(rand.NewPCG(uint64(os.Getpid()), 1))
	n := s.LastSeq()
	for i := 0; ; i++ {
		var recs []Record
		for range 1 + r.IntN(20) {
			n++
			recs = append(recs, crashRecord(n))
		}
		sync := r.IntN(4) == 0
		if _, err := s.Append(ctx, recs, sync); err != nil {
			fmt.Println("error", err)
			return
		}
		fmt.Println("stored", n) // one write: the parent sees all of it or nothing
		if i%10 == 9 {
			if err := s.SaveSnapshot(ctx, n, partsOf(Part{Key: "machine", Data: fmt.Append(nil, n)})); err != nil {
				fmt.Println("error", err)
				return
			}
		}
		if i%25 == 24 {
			if err := s.Prune(ctx, s.LastAt()); err != nil {
				fmt.Println("error", err)
				return
			}
		}
	}
}

// runCrash starts a child on dir, kills it some time after it acknowledged so
// many batches, and returns the newest record it acknowledged.
func runCrash(t *testing.T, dir, how string, after int, later time.Duration) (acked int64) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), crashEnv+"="+dir, crashEnv+"_HOW="+how)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewScanner(out)
	for n := 0; lines.Scan(); n++ {
		line := lines.Text()
		if _, err := fmt.Sscanf(line, "stored %d", &acked); err != nil && how != "broken" {
			t.Errorf("the child said %q", line)
		}
		if n == after {
			<-time.After(later)                    // or it would always be hit at the beginning of the next batch
			require.NoError(t, cmd.Process.Kill()) // mid-append: it does not wait for us
		}
	}
	_ = cmd.Wait() // killed
	return acked
}

// crashFaults counts what is wrong in a database that crashRecord filled.
func crashFaults(t *testing.T, dir string, acked int64) (faults []string) {
	t.Helper()
	ctx := context.Background()
	s, err := Open(ctx, Options{Dir: dir, Log: quiet()})
	require.NoError(t, err)
	defer s.Close()
	fault := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	if s.LastSeq() < acked {
		fault("acknowledged up to %d, stored up to %d", acked, s.LastSeq())
	}
	events := int64(0)
	next := int64(1)
	err = s.Inputs(ctx, 0, func(seq int64, in rules.Input, ev [][]byte) error {
		if seq != next {
			fault("input %d where %d should be", seq, next)
		}
		next = seq + 1
		want := crashRecord(seq)
		if in.Value != want.Input.Value || in.Lamp != want.Input.Lamp {
			fault("input %d is another", seq)
		}
		if len(ev) != len(want.Events) {
			fault("input %d has %d events instead of %d", seq, len(ev), len(want.Events))
			return nil
		}
		for i := range ev {
			events++
			body, _ := json.Marshal(want.Events[i])
			if string(body) != string(ev[i]) {
				fault("an event of input %d is another", seq)
			}
		}
		return nil
	})
	if err != nil {
		fault("%v", err)
	}
	if next != s.LastSeq()+1 {
		fault("inputs end at %d, and the newest is %d", next-1, s.LastSeq())
	}
	// Each event has both its messages.
	err = s.view(ctx, func(r *reader) error {
		var rows, full int64
		if err := r.one("SELECT count(*) FROM event", nil, &rows); err != nil {
			return err
		}
		if err := r.one("SELECT count(*) FROM (SELECT event FROM outbox GROUP BY event HAVING count(*) = 2 AND count(DISTINCT route) = 2)", nil, &full); err != nil {
			return err
		}
		if rows != events || full != events {
			fault("%d events of inputs, %d in the table, %d with both messages", events, rows, full)
		}
		return nil
	})
	if err != nil {
		fault("%v", err)
	}
	seq, parts, err := snapshotOf(s)
	if err != nil {
		fault("%v", err)
	} else if len(parts) == 1 && string(parts[0].Data) != fmt.Sprint(seq) {
		fault("the snapshot says %s and is of %d", parts[0].Data, seq)
	}
	if _, err := s.Check(ctx); err != nil {
		fault("%v", err)
	}
	return faults
}

// moment is within the next few batches.
func moment(r *rand.Rand) time.Duration { return time.Duration(r.IntN(3000)) * time.Microsecond }

func TestKilledInTheMiddle(t *testing.T) {
	kills := rounds(30)
	dir := t.TempDir()
	r := rand.New(rand.NewPCG(4, 2))
	var acked int64
	for k := range kills {
		acked = runCrash(t, dir, "", r.IntN(40), moment(r))
		require.Empty(t, crashFaults(t, dir, acked), "kill %d", k+1)
	}
	t.Logf("%d kills, %d records acknowledged, none lost, no event without its input or messages", kills, acked)
}

// Control: without transactions the same test finds faults.
func TestKilledInTheMiddleControl(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 3))
	for k := range 100 {
		dir := filepath.Join(t.TempDir(), "db")
		acked := runCrash(t, dir, "broken", 5+r.IntN(20), moment(r))
		if f := crashFaults(t, dir, acked); len(f) > 0 {
			t.Logf("kill %d: %d faults, the first: %s", k+1, len(f), f[0])
			return
		}
	}
	t.Fatal("transactions were switched off, and nothing was noticed in 100 kills")
}
