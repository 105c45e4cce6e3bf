package store

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// The first event from a seq or time on, against a look at all of them: without
// any, with the oldest pruned and with rows missing in between.
func TestFirstEvent(t *testing.T) {
	ctx := context.Background()
	s := openTest(t, "")
	check := func(name string) {
		var rows [][3]int64 // id, seq, at
		require.NoError(t, s.view(ctx, func(r *reader) error {
			return r.each("SELECT id, seq, at FROM event ORDER BY id", nil, func(row scan) error {
				var x [3]int64
				rows = append(rows, x)
				return row(&rows[len(rows)-1][0], &rows[len(rows)-1][1], &rows[len(rows)-1][2])
			})
		}))
		for k, column := range []string{"seq", "at"} {
			asked := []int64{-1, 0, 1, 1 << 60}
			for _, x := range rows {
				asked = append(asked, x[k+1]-1, x[k+1], x[k+1]+1)
			}
			for _, v := range asked {
				want := int64(1)
				if len(rows) > 0 {
					want = rows[len(rows)-1][0] + 1
				}
				for i := len(rows) - 1; i >= 0 && rows[i][k+1] >= v; i-- {
					want = rows[i][0]
				}
				require.NoError(t, s.view(ctx, func(r *reader) error {
					got, err := firstEvent(r, column, v)
					// between two rows any id names the later one
					var n int64
					if err == nil {
						err = r.one("SELECT count(*) FROM event WHERE id >= ? AND id < ?", []any{min(got, want), max(got, want)}, &n)
					}
					assert.Zero(t, n, "%s: %s %d: row %d, want %d", name, column, v, got, want)
					return err
				}))
			}
		}
	}
	check("none")
	for i := range 30 { // of every third input an event
		at := day0.Add(time.Duration(i/2) * time.Minute) // and two inputs at one time
		if i%3 == 0 {
			appendAll(t, s, alert(at, fmt.Sprint("lamp", i%2), rules.Lit))
		} else {
			appendAll(t, s, reading(at, "tank", 200))
		}
	}
	check("all")
	for _, gone := range []string{"id < 4", "id IN (6, 7)", "id > 9", "id > 5", "1"} {
		require.NoError(t, s.update(ctx, false, func(t *tx) error {
			_, err := t.exec("DELETE FROM event WHERE " + gone)
			return err
		}))
		check("without " + gone)
	}
}
