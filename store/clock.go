package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"time"
)

// era is a stretch of engine time over which wall time was engine time plus
// offset.
type era struct {
	seq, at int64 // where it begins
	offset  int64 // ms
	mark    int64
}

const (
	wallSure = iota
	wallUncertain
	wallCorrected
)

// minStep is the least change of the offset that begins a new era, in ms.
const minStep = 1000

// eraList holds the eras in order. The first begins before all inputs.
type eraList []era

func loadEras(r *reader) (eraList, error) {
	eras := eraList{{}}
	err := r.each("SELECT seq, at, offset, mark FROM clock ORDER BY seq", nil, func(row scan) error {
		var e era
		defer func() { eras = append(eras, e) }()
		return row(&e.seq, &e.at, &e.offset, &e.mark)
	})
	return eras, err
}

// clock notes a step of the wall clock.
func (a *appender) clock(r *Record, seq, at int64) error {
	offset, mark := r.Offset.Milliseconds(), int64(wallSure)
	if r.WallUncertain {
		mark = wallUncertain
	}
	d := offset - a.era.offset
	same := a.era.mark == mark || a.era.mark == wallCorrected && mark == wallSure
	if a.era.seq != 0 && same && d > -minStep && d < minStep {
		return nil
	}
	a.era = era{seq, at, offset, mark}
	a.eras = append(a.eras, a.era)
	_, err := a.t.exec("INSERT INTO clock (seq, at, offset, mark) VALUES (?, ?, ?, ?)", seq, at, offset, mark)
	return err
}

// eraOf returns the index of the era that an input belongs to.
func (l eraList) eraOf(seq int64) int {
	return sort.Search(len(l), func(i int) bool { return l[i].seq > seq }) - 1
}

// offsetAt returns the offset in force at an engine time; ms.
func (l eraList) offsetAt(at int64) int64 {
	return l[max(0, sort.Search(len(l), func(i int) bool { return l[i].at > at })-1)].offset
}

// wall gives the wall time of engine time t of an input.
func (l eraList) wall(seq int64, t time.Time) (wall time.Time, mark int64) {
	e := l[l.eraOf(seq)]
	return t.Add(time.Duration(e.offset) * time.Millisecond), e.mark
}

// span is a stretch of engine time, from a up to and without b, and the
// offset to wall time in it; ms.
type span struct{ a, b, offset int64 }

const endOfTime = int64(1) << 50

// spans gives the stretches of engine time that make up the wall time from a
// up to b, in order of engine time.
func (l eraList) spans(a, b int64) []span {
	var out []span
	for i, e := range l {
		s := span{max(e.at, a-e.offset), b - e.offset, e.offset}
		if i == 0 {
			s.a = max(0, a-e.offset)
		}
		if i+1 < len(l) {
			s.b = min(s.b, l[i+1].at)
		}
		if s.a < s.b {
			out = append(out, s)
		}
	}
	return out
}

// cutoff gives the engine time before which everything is older than wall
// time w, even as seen by later inputs: where the wall clock was wrong and
// far ahead for a while, what was stored then is as old as what came next.
func (l eraList) cutoff(w int64) int64 {
	later := endOfTime // the earliest wall time at which a later era begins
	cut := int64(0)
	for i := len(l) - 1; i >= 0; i-- {
		e := l[i]
		end := endOfTime
		if i+1 < len(l) {
			end = l[i+1].at
		}
		c := w - e.offset
		if later <= w {
			c = end
		}
		if c = min(c, end); c > e.at {
			cut = max(cut, c)
			break
		}
		later = min(later, e.at+e.offset)
	}
	return cut
}

// CorrectWall sets the offset of wall to engine time of every input from
// fromSeq on, once the wall clock is known, and marks their wall times as
// corrected.
func (s *Store) CorrectWall(ctx context.Context, fromSeq int64, offset time.Duration) error {
	ms := offset.Milliseconds()
	err := s.update(ctx, true, func(t *tx) error {
		if fromSeq > t.st.seq {
			return nil // nothing was stored with the wrong clock
		}
		fromSeq = max(fromSeq, 1)
		i := t.st.eras.eraOf(fromSeq)
		first := era{seq: fromSeq, offset: ms, mark: wallCorrected}
		if i >= 0 && t.st.eras[i].seq == fromSeq {
			first.at = t.st.eras[i].at
			i--
		} else if err := s.atOf(ctx, fromSeq, &first.at); err != nil {
			return err
		}
		if _, err := t.exec("DELETE FROM clock WHERE seq >= ?", fromSeq); err != nil {
			return err
		}
		if _, err := t.exec("INSERT INTO clock (seq, at, offset, mark) VALUES (?, ?, ?, ?)", first.seq, first.at, first.offset, first.mark); err != nil {
			return err
		}
		t.onCommit = append(t.onCommit, func(st *state) {
			st.eras = append(slices.Clone(st.eras[:i+1]), first)
		})
		return nil
	})
	if err != nil {
		return s.fail(fmt.Sprintf("correct wall times from input %d on", fromSeq), err)
	}
	return nil
}

// atOf finds the time of an input: its own, or that of the first one still
// kept after it.
func (s *Store) atOf(ctx context.Context, seq int64, at *int64) error {
	err := s.view(ctx, func(r *reader) error {
		return s.inputs(r, seq-1, func(_ int64, in rawInput) error {
			*at = in.at
			return errStop
		})
	})
	if errors.Is(err, errStop) {
		return nil
	}
	if err == nil { // all were pruned
		*at = s.state.at
	}
	return err
}
