package store

import (
	"context"
	"fmt"

	"lampward/rules"
)

// Part is one piece of a snapshot.
type Part = rules.Part

const maxPart = 16 << 20 // bytes

// SaveSnapshot replaces the snapshot by parts, the machine's state after the
// input seq.
func (s *Store) SaveSnapshot(ctx context.Context, seq int64, parts []Part) error {
	for _, p := range parts {
		if len(p.Data) > maxPart {
			return s.fail("save snapshot", badInput("part", fmt.Sprintf("%q is of %d bytes; the limit is %d", p.Key, len(p.Data), maxPart)))
		}
	}
	err := s.update(ctx, false, func(t *tx) error {
		if seq > t.st.seq {
			return badInput("seq", fmt.Sprintf("%d is after the newest input, %d", seq, t.st.seq))
		}
		for i, p := range parts {
			body := p.Data
			if body == nil {
				body = []byte{}
			}
			if _, err := t.exec("INSERT OR REPLACE INTO snapshot (id, part, body, sum) VALUES (?, ?, ?, ?)", i+1, p.Key, body, sumOf(int64(i+1), body)); err != nil {
				return err
			}
		}
		if _, err := t.exec("DELETE FROM snapshot WHERE id > ?", len(parts)); err != nil {
			return err
		}
		return t.setMeta("snapshot_seq", seq)
	})
	if err != nil {
		return s.fail("save snapshot", err)
	}
	return nil
}

// LoadSnapshot returns the newest snapshot and the seq of the last input it
// covers; 0 and no parts: there is none.
func (s *Store) LoadSnapshot(ctx context.Context) (seq int64, parts []Part, err error) {
	err = s.view(ctx, func(r *reader) error {
		var err error
		if seq, err = r.meta("snapshot_seq"); err != nil {
			return err
		}
		return r.each("SELECT id, part, body, sum FROM snapshot ORDER BY id", nil, func(row scan) error {
			var p Part
			var id, sum int64
			if err := row(&id, &p.Key, &p.Data, &sum); err != nil {
				return err
			}
			if int64(sumOf(id, p.Data)) != sum {
				return damagedRow("snapshot", id, errSum.Error())
			}
			parts = append(parts, p)
			return nil
		})
	})
	if err != nil {
		return 0, nil, s.fail("load snapshot", err)
	}
	return seq, parts, nil
}
