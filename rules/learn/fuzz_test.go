package learn

import (
	"encoding/binary"
	"math"
	"testing"
	"time"
)

// wild turns bytes into readings: finite, huge, tiny, equal, any.
func wild(data []byte, f func(dt time.Duration, y float64)) {
	y := 100.0
	for len(data) >= 3 {
		op, dt := data[0], time.Duration(data[1])*time.Duration(data[1])*37*time.Millisecond
		data = data[2:]
		switch op % 8 {
		case 0: // any bits
			if len(data) < 8 {
				return
			}
			y = math.Float64frombits(binary.LittleEndian.Uint64(data))
			if data = data[8:]; len(data) == 0 {
				return
			}
		case 1: // the same again, many times
			for range int(data[0]) {
				f(dt, y)
			}
		case 2:
			y *= -1e6
		case 3:
			y *= 1e-6
		case 4:
			y += float64(data[0])
		case 5:
			y = 300 * float64(data[0]&1)
		case 6: // a lamp for a while, before a board that smooths or not
			z, share := 100.0, []float64{1, 0.5, 0.2, 0.05}[op>>3%4]
			for i := range int(data[0]) {
				z += share * (100 + 300*float64(i/20%2) + float64(i*7%5) - z)
				f(dt, z)
			}
		case 7:
			y = math.Ldexp(float64(data[0]), int(data[0])*4-512)
		}
		f(dt, y)
		data = data[1:]
	}
}

func FuzzObserve(f *testing.F) {
	f.Add([]byte{6, 40, 200, 6, 40, 200, 0, 1, 255, 255, 255, 255, 255, 255, 239, 127, 1, 9, 99}, uint8(0))
	f.Add([]byte{5, 40, 1, 1, 40, 60, 5, 40, 0, 1, 40, 60, 5, 40, 1, 1, 40, 255, 2, 2, 2, 1, 40, 90, 3, 3, 3}, uint8(3))
	f.Add([]byte{7, 40, 255, 1, 40, 60, 7, 40, 0, 1, 40, 60, 7, 40, 200, 1, 40, 255}, uint8(4))
	f.Fuzz(func(t *testing.T, data []byte, mode uint8) {
		if len(data) > 400 {
			return
		}
		c := Config{LitLower: mode&1 != 0}
		if mode&2 != 0 {
			c.Manual = Levels{OnAbove: 200, OffBelow: 150}
			if c.LitLower {
				c.Manual = Levels{OnAbove: 150, OffBelow: 200}
			}
		}
		l, at := New(c), t0
		n := 0
		wild(data, func(dt time.Duration, y float64) {
			if n++; n > 4000 {
				return
			}
			at = at.Add(dt)
			v := l.Observe(at, y)
			if mode&4 != 0 && n%97 == 0 {
				v = l.Teach(at, Dark+State(n/97%2))
			}
			check(t, v)
			if v.Changed || n%50 == 0 {
				a := l.Aim()
				for _, x := range []float64{a.Value, a.Dark, a.Lit, a.Noise, a.Separation} {
					if !finite(x) {
						t.Fatalf("%+v", a)
					}
				}
				if v.Changed && l.Why() == "" {
					t.Fatal("a change without a reason")
				}
			}
		})
		b, err := l.MarshalBinary()
		if err != nil {
			t.Fatal(err)
		}
		var m Learner
		if err := m.UnmarshalBinary(b); err != nil {
			t.Fatalf("its own snapshot is refused: %v", err)
		}
		at = at.Add(time.Minute)
		if v, w := l.Observe(at, 120), m.Observe(at, 120); v != w {
			t.Fatalf("%+v, restored %+v", v, w)
		}
	})
}

func check(t *testing.T, v Verdict) {
	t.Helper()
	if !finite(v.OnAbove) || !finite(v.OffBelow) || !(v.Confidence >= 0 && v.Confidence <= 1) || v.State > Blinking || v.Fault > Fading || v.Changed && v.State == Learning {
		t.Fatalf("%+v", v)
	}
}

func FuzzUnmarshalBinary(f *testing.F) {
	l, _ := busy(3000)
	b, _ := l.MarshalBinary()
	f.Add(b)
	f.Add(b[:100])
	f.Fuzz(func(t *testing.T, b []byte) {
		var m Learner
		for _, x := range [][]byte{b, resealed(b)} { // also behind a right checksum
			if m.UnmarshalBinary(x) != nil {
				continue
			}
			for i := range 100 {
				check(t, m.Observe(t0.Add(time.Duration(i)*time.Minute).Add(1e5*time.Hour), 100+300*float64(i/10%2)))
			}
			m.Teach(t0, Lit)
			m.Why()
			m.Aim()
		}
	})
}

func resealed(b []byte) []byte {
	if len(b) < 8 {
		return b
	}
	return reseal(append([]byte(nil), b...))
}
