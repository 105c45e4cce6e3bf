package battery

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
)

const version = 2 // 1 had none of tail

var errState = errors.New("battery: damaged state")

// head is the part of a snapshot of fixed size.
type head struct {
	Version, Known, Told, Lives, Points uint8
	Start, From, Merged, Now            int64
	Sum, Count, High                    float64
}

// tail is what version 2 added.
type tail struct {
	Ends       uint8
	Stop, Died float64
	Awake      int64
}

// AppendBinary appends what was learned to b: under 2 kB, the same bytes for
// the same history. The error is always nil.
func (e *Estimator) AppendBinary(b []byte) ([]byte, error) {
	h := head{
		Version: version, Lives: uint8(e.nLife), Points: uint8(e.nPts),
		Start: e.start, From: e.from, Merged: e.merged, Now: e.now,
		Sum: e.sum, Count: e.cnt, High: e.high,
	}
	if e.known {
		h.Known = 1
	}
	if e.told {
		h.Told = 1
	}
	t := tail{Ends: uint8(e.nEnd), Stop: e.stop, Died: e.died, Awake: e.awake}
	for _, part := range [...]any{h, e.lives[:e.nLife], e.pts[:e.nPts], t, e.end[:e.nEnd]} {
		var err error
		if b, err = binary.Append(b, binary.LittleEndian, part); err != nil {
			return b, fmt.Errorf("battery: snapshot: %w", err)
		}
	}
	return b, nil
}

// UnmarshalBinary restores what AppendBinary wrote; the Config stays. If it
// returns an error, e is as before.
func (e *Estimator) UnmarshalBinary(b []byte) error {
	r := bytes.NewReader(b)
	var h head
	if err := binary.Read(r, binary.LittleEndian, &h); err != nil {
		return errState
	}
	if h.Version != 1 && h.Version != version {
		return fmt.Errorf("battery: state of version %d, want %d", h.Version, version)
	}
	if h.Lives > maxLives || h.Points > points || h.Merged < 1 || h.Merged > 1<<30 ||
		!moment(h.Start) || !moment(h.From) || !moment(h.Now) ||
		!amount(h.Sum) || !amount(h.Count) || !amount(h.High) {
		return errState
	}
	got := &Estimator{
		start: h.Start, known: h.Known == 1, told: h.Told == 1,
		nLife: int(h.Lives), nPts: int(h.Points), merged: h.Merged,
		sum: h.Sum, cnt: h.Count, from: h.From, high: h.High,
	}
	if err := binary.Read(r, binary.LittleEndian, got.lives[:got.nLife]); err != nil {
		return errState
	}
	if got.nPts > 0 {
		got.pts, got.end = make([]point, points), make([]point, ends)
	}
	if err := binary.Read(r, binary.LittleEndian, got.pts[:got.nPts]); err != nil {
		return errState
	}
	if h.Version > 1 {
		var t tail
		if err := binary.Read(r, binary.LittleEndian, &t); err != nil || int(t.Ends) > len(got.end) ||
			!amount(t.Stop) || !amount(t.Died) || !moment(t.Awake) {
			return errState
		}
		got.nEnd, got.stop, got.died, got.awake = int(t.Ends), t.Stop, t.Died, t.Awake
		if err := binary.Read(r, binary.LittleEndian, got.end[:t.Ends]); err != nil {
			return errState
		}
	}
	if r.Len() > 0 || !inOrder(got.pts[:got.nPts]) || !inOrder(got.end[:got.nEnd]) {
		return errState
	}
	for _, l := range got.lives[:got.nLife] {
		if l < hourMs || !moment(l) {
			return errState
		}
	}
	got.cfg, got.curve = e.cfg, e.curve
	got.derive(h.Now)
	*e = *got
	return nil
}

// inOrder tells whether points are such as there can be.
func inOrder(pts []point) bool {
	for i, p := range pts {
		if !moment(p.At) || !amount(p.Volts) || p.Volts == 0 || !amount(p.N) || p.N < 1 ||
			i > 0 && p.At <= pts[i-1].At {
			return false
		}
	}
	return true
}

// moment tells whether ms is within some 30,000 years of 1970.
func moment(ms int64) bool { return ms > -1<<50 && ms < 1<<50 }

func amount(v float64) bool { return v >= 0 && v < 1e12 }
