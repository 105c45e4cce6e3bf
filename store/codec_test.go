package store

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// nasty are floats that a careless codec loses.
var nasty = []float64{0, math.Copysign(0, -1), 1, -1, 512, 4095, 3.71, 0.1, 1e-3, 0.0005, 12.345, 1e300, -1e300,
	math.MaxFloat64, math.SmallestNonzeroFloat64, -math.SmallestNonzeroFloat64, 2.2250738585072014e-308 / 3,
	1 << 50, 1<<53 - 1, 1 << 53, 1<<53 + 2, math.Pi, 1.0000000000000002, -71.5, 1e15 + 0.125}

func randomFloat(r *rand.Rand) float64 {
	switch r.IntN(5) {
	case 0:
		return nasty[r.IntN(len(nasty))]
	case 1:
		return float64(r.IntN(5000))
	case 2:
		return float64(r.IntN(50000)) / 1000
	case 3:
		return r.NormFloat64() * 1000
	}
	for {
		if v := math.Float64frombits(r.Uint64()); !math.IsNaN(v) && !math.IsInf(v, 0) {
			return v
		}
	}
}

func sameFloat(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }

func samePacked(t *testing.T, want, got packed) {
	t.Helper()
	if !sameFloat(want.value, got.value) || !sameFloat(want.volts, got.volts) || !sameFloat(want.rssi, got.rssi) {
		t.Fatalf("floats: want %v, got %v", want, got)
	}
	want.value, want.volts, want.rssi = 0, 0, 0
	got.value, got.volts, got.rssi = 0, 0, 0
	require.Equal(t, want, got)
}

func FuzzPackNumbers(f *testing.F) {
	for _, v := range nasty {
		f.Add(math.Float64bits(v), math.Float64bits(3.7), math.Float64bits(-71), true, true, uint32(60_000), uint16(3))
	}
	f.Fuzz(func(t *testing.T, v, volts, rssi uint64, hasV, hasR bool, step uint32, seqStep uint16) {
		in := []packed{
			{seq: 7, at: 1_700_000_000_000, series: 3, value: math.Float64frombits(v), volts: math.Float64frombits(volts), hasV: hasV},
			{seq: 8 + int64(seqStep), at: 1_700_000_000_000 + int64(step), series: 1 << 19, value: math.Float64frombits(rssi), rssi: math.Float64frombits(v), hasR: hasR},
			{seq: 9 + int64(seqStep), at: 1_700_000_000_000 + int64(step), series: 1, value: math.Float64frombits(v)},
		}
		k := newPacker(0)
		for i := range in {
			if !in[i].hasV {
				in[i].volts = 0
			}
			if !in[i].hasR {
				in[i].rssi = 0
			}
			k.add(in[i], true)
		}
		i := 0
		require.NoError(t, unpackBatch(7, seal(7, k.body), func(p packed) error {
			samePacked(t, in[i], p)
			i++
			return nil
		}))
		require.Equal(t, len(in), i)
	})
}

// Any bytes must unpack to an error or to records, never to a panic.
func FuzzUnpack(f *testing.F) {
	k := newPacker(0)
	k.add(packed{seq: 1, at: 1_700_000_000_000, series: 1, value: 3.5, volts: 3.7, hasV: true, rssi: -70, hasR: true}, true)
	f.Add(k.body)
	f.Add(packRollup(5, []bucket{one(1), {}, one(2.5)}))
	f.Fuzz(func(t *testing.T, body []byte) {
		if len(body) > 0 {
			body = append([]byte{packVersion}, body...)
		}
		sealed := seal(5, body)
		_ = unpackBatch(5, sealed, func(packed) error { return nil })
		_ = unpackChunk(5, sealed, func(packed) error { return nil })
		_ = unpackRollup("rollup1", 5, sealed, func(int64, bucket) error { return nil })
	})
}

func TestAnyFlippedBitOfARowIsNoticed(t *testing.T) {
	k := newPacker(0)
	for i := range 20 {
		k.add(packed{seq: int64(i + 1), at: int64(i) * 60_000, series: 1, value: float64(500 + i)}, true)
	}
	sealed := seal(1, k.body)
	nothing := func(packed) error { return nil }
	require.NoError(t, unpackBatch(1, sealed, nothing))
	for i := range len(sealed) * 8 {
		bad := append([]byte(nil), sealed...)
		bad[i/8] ^= 1 << (i % 8)
		require.ErrorIs(t, unpackBatch(1, bad, nothing), ErrDamaged, "bit %d", i)
	}
	require.ErrorIs(t, unpackBatch(2, sealed, nothing), ErrDamaged, "under another row's key")
	// Control: without the checksum, flips pass unnoticed.
	unnoticed := 0
	for i := range k.body[1:] {
		bad := append([]byte(nil), k.body...)
		bad[1+i] ^= 1
		if unpackBatch(1, seal(1, bad), nothing) == nil {
			unnoticed++
		}
	}
	require.Positive(t, unnoticed)
}

func TestPackedReadingIsSmall(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	k := newPacker(0)
	at := int64(1_700_000_000_000)
	for i := range 60 {
		at += 60_000 + r.Int64N(400) - 200
		k.add(packed{seq: int64(i*10 + 1), at: at, value: float64(500 + r.IntN(12)), volts: float64(3700-i) / 1000, hasV: true, rssi: -70 + float64(r.IntN(5)), hasR: true}, false)
	}
	perReading := float64(len(k.body)) / 60
	t.Logf("%.1f bytes a reading with battery and signal", perReading)
	require.Less(t, perReading, 8.0)
}

func TestRollupRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 2000 {
		list := make([]bucket, 144)
		whole := r.IntN(2) == 0
		for i := range list {
			for range r.IntN(4) * r.IntN(3) {
				v := randomFloat(r)
				if whole {
					v = float64(r.IntN(4096))
				}
				list[i].add(one(v))
			}
		}
		var got [144]bucket
		require.NoError(t, unpackRollup("rollup1", 9, packRollup(9, list), func(i int64, b bucket) error {
			got[i] = b
			return nil
		}))
		for i := range list {
			w, g := list[i], got[i]
			if w.count != g.count || !sameFloat(w.min, g.min) || !sameFloat(w.max, g.max) || !sameFloat(w.sum, g.sum) {
				t.Fatalf("bucket %d: want %+v, got %+v", i, w, g)
			}
		}
	}
}

func randomInput(r *rand.Rand, at time.Time) rules.Input {
	lamps := []string{"tank", "salt", "freezer", "Keller-Lämpchen 💡", ""}
	in := rules.Input{At: at, Kind: rules.InReading, Lamp: lamps[r.IntN(len(lamps))], Device: []string{"b1", "b2", ""}[r.IntN(3)], Value: randomFloat(r)}
	opt := func() *float64 {
		if r.IntN(2) == 0 {
			return nil
		}
		v := randomFloat(r)
		return &v
	}
	in.Volts, in.RSSI = opt(), opt()
	switch r.IntN(12) {
	case 0:
		in.Kind, in.Word = rules.InLink, []string{rules.LinkUp, rules.LinkLost, "odd"}[r.IntN(3)]
	case 1:
		in.Kind, in.By, in.For = rules.InShelve, "Ann <a@example.org>", time.Duration(r.Int64())
	case 2:
		in.Kind, in.Config = rules.InConfig, &rules.Config{FoldDevices: r.IntN(5), Lamps: []rules.LampConfig{{Name: "tank"}}}
	case 3:
		in = rules.Input{At: at, Kind: rules.InTick}
	case 4:
		in.Word = "a reading with a word" // no such thing today, yet it must come back
	case 5:
		in.Kind = "of tomorrow"
	}
	return in
}

func sameInput(t *testing.T, want, got rules.Input) {
	t.Helper()
	bits := func(p *float64) (b [9]byte) {
		if p != nil {
			b[0] = 1
			binary.LittleEndian.PutUint64(b[1:], math.Float64bits(*p))
		}
		return b
	}
	require.Equal(t, bits(&want.Value), bits(&got.Value), "value of %v", want)
	require.Equal(t, bits(want.Volts), bits(got.Volts), "volts of %v", want)
	require.Equal(t, bits(want.RSSI), bits(got.RSSI), "rssi of %v", want)
	require.True(t, want.At.Equal(got.At), "want %v, got %v", want.At, got.At)
	require.Equal(t, time.UTC, got.At.Location())
	for _, in := range []*rules.Input{&want, &got} {
		in.Value, in.Volts, in.RSSI, in.At = 0, nil, nil, time.Time{}
	}
	require.Equal(t, want, got)
}
