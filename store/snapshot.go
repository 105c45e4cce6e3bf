package store

import (
	"context"
	"database/sql"
	"fmt"

	"lampward/rules"
)

// Part is one piece of a snapshot.
type Part = rules.Part

const maxPart = 16 << 20 // bytes

// SaveSnapshot replaces the snapshot by the parts that each gives, the
// machine's state after the input seq. Other writers wait until each is done.
// An error of each, or of the function it is given, changes nothing.
func (s *Store) SaveSnapshot(ctx context.Context, seq int64, each func(func(Part) error) error) error {
	err := s.update(ctx, false, func(t *tx) error {
		if seq > t.st.seq {
			return badInput("seq", fmt.Sprintf("%d is after the newest input, %d", seq, t.st.seq))
		}
		n := int64(0)
		err := each(func(p Part) error {
			if len(p.Data) > maxPart {
				return badInput("part", fmt.Sprintf("%q is of %d bytes; the limit is %d", p.Key, len(p.Data), maxPart))
			}
			body := p.Data
			if body == nil {
				body = []byte{}
			}
			n++
			_, err := t.exec("INSERT OR REPLACE INTO snapshot (id, part, body, sum) VALUES (?, ?, ?, ?)", n, p.Key, body, sumOf(n, body))
			return err
		})
		if err != nil {
			return err
		}
		if _, err := t.exec("DELETE FROM snapshot WHERE id > ?", n); err != nil {
			return err
		}
		return t.setMeta("snapshot_seq", seq)
	})
	if err != nil {
		return s.fail("save snapshot", err)
	}
	return nil
}

// LoadSnapshot calls fn for each part of the newest snapshot, in the order in
// which they were saved, and returns the seq of the last input it covers; 0 and
// no call: there is none. A part's Data is valid only during the call. An error
// of fn ends it and is returned. Calls may have been made before it turns out
// that the database is damaged.
func (s *Store) LoadSnapshot(ctx context.Context, fn func(Part) error) (seq int64, err error) {
	var calls error
	checked := make(chan error, 1)
	if s.snapshotSound.Swap(false) { // Open has just looked; whoever reads it later has it checked again
		checked <- nil
	} else {
		go func() { // beside the reading, for it takes half as long
			checked <- s.view(ctx, func(r *reader) error { return integrity(r, "PRAGMA quick_check(snapshot)") })
		}()
	}
	err = s.view(ctx, func(r *reader) error {
		var err error
		if seq, err = r.meta("snapshot_seq"); err != nil {
			return err
		}
		var p Part
		var body sql.RawBytes
		var id, sum int64
		columns := []any{&id, &p.Key, &body, &sum}
		return r.each("SELECT id, part, body, sum FROM snapshot ORDER BY id", nil, func(row scan) error {
			if err := row(columns...); err != nil {
				return err
			}
			if int64(sumOf(id, body)) != sum {
				return damagedRow("snapshot", id, errSum.Error())
			}
			p.Data = body
			calls = fn(p)
			return calls
		})
	})
	unsound := s.fail("load snapshot", <-checked)
	switch {
	case unsound != nil:
		return 0, unsound
	case calls != nil:
		return 0, calls
	case err != nil:
		return 0, s.fail("load snapshot", err)
	}
	return seq, nil
}
