package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
	"lampward/store/faultfs"
)

func BenchmarkAppend(b *testing.B) {
	for _, batch := range []int{1, 50, 500} {
		for _, sync := range []bool{false, true} {
			b.Run(fmt.Sprintf("batch=%d/sync=%v", batch, sync), func(b *testing.B) {
				s := openTest(b, "")
				recs := make([]Record, batch)
				at := day0
				b.ReportAllocs()
				n := 0
				for b.Loop() {
					for i := range recs {
						recs[i] = reading(at, lampNames[i%len(lampNames)], float64(500+i%7))
					}
					at = at.Add(time.Second)
					if _, err := s.Append(context.Background(), recs, sync); err != nil {
						b.Fatal(err)
					}
					n += batch
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/reading")
			})
		}
	}
	b.Run("alert/sync=true", func(b *testing.B) {
		s := openTest(b, "")
		at := day0
		for b.Loop() {
			at = at.Add(time.Second)
			if _, err := s.Append(context.Background(), []Record{alert(at, "lamp1", rules.Lit, "phone")}, true); err != nil {
				b.Fatal(err)
			}
		}
	})
}

var lampNames = func() (names []string) {
	for i := range 50 {
		names = append(names, fmt.Sprintf("lamp%d", i))
	}
	return names
}()

// cellar makes the readings of lamps as a household has them: one a minute
// each, a few counts of noise, battery and signal strength told.
type cellar struct {
	r    *rand.Rand
	base []float64
}

func newCellar(lamps int) *cellar {
	c := &cellar{r: rand.New(rand.NewPCG(1, 2))}
	for range lamps {
		c.base = append(c.base, float64(300+c.r.IntN(2000)))
	}
	return c
}

func (c *cellar) reading(lamp int, at time.Time) Record {
	rec := reading(at, lampNames[lamp%len(lampNames)], c.base[lamp]+float64(int(c.r.NormFloat64()*6)))
	volts, rssi := float64(3700+c.r.IntN(10))/1000, float64(-70-c.r.IntN(8))
	rec.Input.Volts, rec.Input.RSSI = &volts, &rssi
	return rec
}

// writeBytes is what this process caused to be sent to the disk, in bytes
// (proc_pid_io(5), write_bytes).
func writeBytes(tb testing.TB) int64 {
	body, err := os.ReadFile("/proc/self/io")
	if err != nil {
		tb.Skip("needs /proc/self/io")
	}
	for line := range strings.Lines(string(body)) {
		var n int64
		if _, err := fmt.Sscanf(line, "write_bytes: %d", &n); err == nil {
			return n
		}
	}
	tb.Skip("needs write_bytes in /proc/self/io")
	return 0
}

// live runs ten lamps at one reading a minute for a while, with all that a
// daemon does: batch readings in one Append, a sync every syncEvery batches,
// hourly snapshots (2 kB a lamp) and Prune, and two alerts a day.
func live(tb testing.TB, s *Store, span time.Duration, batch, syncEvery int) (readings int) {
	ctx := context.Background()
	c := newCellar(10)
	var recs []Record
	batches := 0
	pruned := day0
	for at := day0; at.Before(day0.Add(span)); at = at.Add(time.Minute) {
		for lamp := range 10 {
			recs = append(recs, c.reading(lamp, at.Add(time.Duration(lamp)*6*time.Second)))
			readings++
			if len(recs) < batch {
				continue
			}
			batches++
			_, err := s.Append(ctx, recs, syncEvery == 1)
			require.NoError(tb, err)
			recs = recs[:0]
			if syncEvery > 1 && batches%syncEvery == 0 {
				require.NoError(tb, s.Sync(ctx))
			}
		}
		at := at.Add(59 * time.Second)
		if at.Sub(day0)/time.Minute%720 == 700 && len(recs) == 0 {
			_, err := s.Append(ctx, []Record{alert(at, "lamp1", rules.Lit, "phone")}, true)
			require.NoError(tb, err)
			require.NoError(tb, s.Sent(ctx, s.outboxRow, at, "204 No Content"))
		}
		if at.Sub(pruned) >= time.Hour {
			pruned = at
			var parts []Part
			for lamp := range 10 {
				parts = append(parts, Part{Key: "lamp/" + lampNames[lamp], Data: make([]byte, 2000)})
			}
			require.NoError(tb, s.SaveSnapshot(ctx, s.LastSeq(), partsOf(parts...)))
			require.NoError(tb, s.Prune(ctx, at))
		}
	}
	return readings
}

// BenchmarkDiskBytes gives the bytes written to disk for each reading, all
// included, of ten lamps over three days.
func BenchmarkDiskBytes(b *testing.B) {
	for _, c := range []struct {
		name             string
		batch, syncEvery int
	}{
		{"batch=1/sync=each", 1, 1},
		{"batch=10/sync=each", 10, 1},
		{"batch=60/sync=each", 60, 1},
		{"batch=100/sync=each", 100, 1},
		{"batch=1/sync=every10", 1, 10},
		{"batch=1/sync=every100", 1, 100},
		{"batch=10/sync=every10", 10, 10},
	} {
		b.Run(c.name, func(b *testing.B) {
			span := 72 * time.Hour
			for b.Loop() {
				s := openTest(b, "")
				before := writeBytes(b)
				n := live(b, s, span, c.batch, c.syncEvery)
				require.NoError(b, s.Close())
				disk := writeBytes(b) - before

				counted, err := faultfs.New()
				require.NoError(b, err)
				s, err = Open(context.Background(), Options{Dir: b.TempDir(), Log: quiet(), Connector: counted.Connector, SyncFile: counted.SyncFile})
				require.NoError(b, err)
				counted.Reset()
				live(b, s, span, c.batch, c.syncEvery)
				require.NoError(b, s.Close())
				st := counted.Stats()
				b.ReportMetric(float64(disk)/float64(n), "disk-B/reading")
				b.ReportMetric(float64(st.Bytes)/float64(n), "written-B/reading")
				b.ReportMetric(float64(st.Syncs)/float64(n), "syncs/reading")
			}
		})
	}
}

// year is a database of ten lamps after a year of one reading a minute each.
// LAMPWARD_YEAR_DIR keeps it between runs.
func year(b testing.TB) *Store {
	dir := os.Getenv("LAMPWARD_YEAR_DIR")
	if dir == "" {
		dir = b.TempDir()
	}
	s, err := Open(context.Background(), Options{Dir: dir, Log: quiet(), SyncFile: func(string) error { return nil }})
	require.NoError(b, err)
	b.Cleanup(func() { s.Close() })
	if s.LastSeq() == 0 {
		live(b, s, 365*24*time.Hour, 10, 1<<30)
	}
	return s
}

// BenchmarkYear gives the size of a year of ten lamps, what a trace of any
// length costs in it, and how long opening takes against a new one.
func BenchmarkYear(b *testing.B) {
	s := year(b)
	ctx := context.Background()
	end := s.LastAt()
	b.Run("size", func(b *testing.B) {
		for b.Loop() {
			z, err := s.Size(ctx)
			require.NoError(b, err)
			b.ReportMetric(float64(z.DB)/1e6, "MB")
			b.ReportMetric(float64(z.Free)/1e6, "free-MB")
		}
	})
	for _, c := range []struct {
		name string
		span time.Duration
	}{{"hour", time.Hour}, {"day", 24 * time.Hour}, {"week", 168 * time.Hour}, {"month", 30 * 24 * time.Hour}, {"year", 365 * 24 * time.Hour}} {
		b.Run("trace/"+c.name, func(b *testing.B) {
			n := 0
			for b.Loop() {
				p, err := s.Trace(ctx, "lamp3", end.Add(-c.span), end.Add(time.Second), 500)
				require.NoError(b, err)
				n = len(p)
			}
			b.ReportMetric(float64(n), "points")
		})
	}
	b.Run("open", func(b *testing.B) {
		require.NoError(b, s.Close())
		for b.Loop() {
			s, err := Open(ctx, s.o)
			require.NoError(b, err)
			require.NoError(b, s.Close())
		}
	})
	b.Run("open-empty", func(b *testing.B) {
		dir := b.TempDir()
		for b.Loop() {
			s, err := Open(ctx, Options{Dir: dir, Log: quiet()})
			require.NoError(b, err)
			require.NoError(b, s.Close())
		}
	})
}

// BenchmarkFleet is a thousand lamps over three days: what Prune, a trace and
// opening cost.
func BenchmarkFleet(b *testing.B) {
	ctx := context.Background()
	dir := b.TempDir()
	s, err := Open(ctx, Options{Dir: dir, Log: quiet(), SyncFile: func(string) error { return nil }})
	require.NoError(b, err)
	c := newCellar(1000)
	names := make([]string, 1000)
	for i := range names {
		names[i] = fmt.Sprintf("lamp%04d", i)
	}
	var packing, appending time.Duration
	hours := 0
	at := day0
	for ; at.Before(day0.Add(72*time.Hour + 30*time.Minute)); at = at.Add(time.Minute) {
		recs := make([]Record, 1000)
		for i := range recs {
			recs[i] = c.reading(i, at)
			recs[i].Input.Lamp, recs[i].Input.Device = names[i], names[i]
		}
		begin := time.Now()
		appendAll(b, s, recs...)
		appending += time.Since(begin)
		if at.Minute() == 59 {
			begin := time.Now()
			require.NoError(b, s.Prune(ctx, at))
			packing += time.Since(begin)
			hours++
		}
	}
	b.Run("prune-an-hour", func(b *testing.B) {
		for b.Loop() {
		}
		b.ReportMetric(0, "ns/op")
		b.ReportMetric(float64(packing.Milliseconds())/float64(hours), "ms/hour")
		b.ReportMetric(float64(appending.Nanoseconds())/float64(hours*60*1000), "append-ns/reading")
		z, err := s.Size(ctx)
		require.NoError(b, err)
		b.ReportMetric(float64(z.DB)/float64(s.LastSeq()), "B/reading-kept")
	})
	for _, span := range []time.Duration{time.Hour, 24 * time.Hour} {
		b.Run("trace/"+span.String(), func(b *testing.B) {
			for b.Loop() {
				p, err := s.Trace(ctx, "lamp0500", at.Add(-span), at, 500)
				if err != nil || len(p) < 50 {
					b.Fatal(len(p), err)
				}
			}
		})
	}
	require.NoError(b, s.Close())
	for _, name := range []string{"open", "open-empty"} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				s, err := Open(ctx, Options{Dir: dir, Log: quiet()})
				require.NoError(b, err)
				require.NoError(b, s.Close())
			}
		})
		dir = b.TempDir()
	}
}

func BenchmarkDue(b *testing.B) {
	ctx := context.Background()
	for _, sent := range []int{0, 100_000} {
		b.Run(fmt.Sprintf("sent=%d", sent), func(b *testing.B) {
			s := openTest(b, "")
			var recs []Record
			for i := range sent + 20 {
				recs = append(recs, alert(day0, lampNames[i%len(lampNames)], rules.Lit, "phone"))
			}
			appendAll(b, s, recs...)
			require.NoError(b, s.update(ctx, false, func(t *tx) error {
				_, err := t.exec("UPDATE outbox SET state = 1 WHERE id <= ?", sent)
				return err
			}))
			for b.Loop() {
				due, _, err := s.Due(ctx, day0, 10, []string{"phone"})
				if err != nil || len(due) != 10 {
					b.Fatal(len(due), err)
				}
			}
		})
	}
}

// BenchmarkOwed counts what is owed beside 100,000 finished deliveries.
func BenchmarkOwed(b *testing.B) {
	for _, owed := range []int{0, 1000} {
		b.Run(fmt.Sprintf("owed=%d", owed), func(b *testing.B) {
			const sent = 100_000
			s := openTest(b, "")
			var recs []Record
			for i := range sent + owed {
				recs = append(recs, alert(day0, lampNames[i%len(lampNames)], rules.Lit, "phone"))
			}
			appendAll(b, s, recs...)
			require.NoError(b, s.update(b.Context(), false, func(t *tx) error {
				_, err := t.exec("UPDATE outbox SET state = 1 WHERE id <= ?", sent)
				return err
			}))
			for b.Loop() {
				got, err := s.Owed(b.Context())
				if err != nil || got.Pending != int64(owed) {
					b.Fatal(got, err)
				}
			}
		})
	}
}
