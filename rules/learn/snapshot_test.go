package learn

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"reflect"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"
)

// busy is a learner that has seen everything: daylight, lamp, spikes, blinking.
func busy(n int) (*Learner, func(i int) (time.Time, float64)) {
	r := rand.New(rand.NewPCG(7, 7))
	at := t0
	next := func(i int) (time.Time, float64) {
		at = at.Add(time.Minute)
		h := math.Mod(float64(i)/60, 24)
		y := 200 + 150*math.Max(0, math.Sin((h-6)/12*math.Pi)) + 6*r.NormFloat64()
		switch {
		case i%700 > 500:
			y += 300
		case i%5000 > 4500 && r.IntN(2) == 0:
			y += 300
		case r.IntN(100) == 0:
			y += 900
		}
		return at, math.Round(y)
	}
	l := New(Config{})
	for i := range n {
		l.Observe(next(i))
	}
	return l, next
}

func TestSnapshot(t *testing.T) {
	l, next := busy(20000)
	b, err := l.MarshalBinary()
	if err != nil {
		t.Fatal(err)
	}
	if len(b) >= 8000 {
		t.Fatalf("snapshot has %d bytes", len(b))
	}
	t.Logf("snapshot: %d bytes", len(b))
	var m Learner
	if err := m.UnmarshalBinary(b); err != nil {
		t.Fatal(err)
	}
	if l.c != m.c {
		t.Fatal("round trip changed the learner")
	}
	for i := range 20000 {
		at, y := next(20000 + i)
		if v, w := l.Observe(at, y), m.Observe(at, y); v != w {
			t.Fatalf("reading %d: %+v, restored %+v", i, v, w)
		}
		if l.Why() != m.Why() || l.Aim() != m.Aim() {
			t.Fatal("reasons differ")
		}
	}
	b1, _ := l.MarshalBinary()
	b2, _ := m.MarshalBinary()
	if !bytes.Equal(b1, b2) {
		t.Fatal("snapshots differ")
	}
	// control: one count of difference does show
	at, y := next(0)
	l.Observe(at, y)
	m.Observe(at, y+1)
	b1, _ = l.MarshalBinary()
	b2, _ = m.MarshalBinary()
	if bytes.Equal(b1, b2) {
		t.Fatal("snapshots agree though the readings did not")
	}
}

// A snapshot of another shape, read as one of this version, passes for damaged, and
// with it all that the machine knows: whoever changes the shape gives it a new version,
// so that the lamps alone are learned anew from the readings.
func TestSnapshotShapeHasItsVersion(t *testing.T) {
	if got, want := [2]int{snapVersion, snapSize}, [2]int{17, 7438}; got != want {
		t.Errorf("version and bytes are %v, were %v: a new shape needs a new snapVersion", got, want)
	}
}

func TestSnapshotDamage(t *testing.T) {
	l, _ := busy(3000)
	b, _ := l.MarshalBinary()
	m := New(Config{LitLower: true})
	was := m.c
	bad := func(name string, c []byte, say string) {
		t.Helper()
		err := m.UnmarshalBinary(c)
		if err == nil || !strings.Contains(err.Error(), say) || !strings.Contains(err.Error(), "restore a backup") {
			t.Fatalf("%s: %v", name, err)
		}
		if m.c != was {
			t.Fatalf("%s: a refused snapshot changed the learner", name)
		}
	}
	for i := range b {
		c := bytes.Clone(b)
		c[i] ^= 0x10
		if m.UnmarshalBinary(c) == nil {
			t.Fatalf("damage in byte %d went unnoticed", i)
		}
	}
	bad("empty", nil, "no learner snapshot")
	bad("cut", b[:len(b)-9], "damaged")
	bad("checksum", append(bytes.Clone(b[:len(b)-1]), b[len(b)-1]^1), "checksum")
	c := bytes.Clone(b)
	c[len(snapMagic)]++
	bad("version", c, "version")
	flapping, _ := busy(3000)
	flapping.c.Health.End, flapping.c.Health.Flap = 0, 0.9
	c, _ = flapping.MarshalBinary()
	bad("at no end", c, "not at which")
	flapping.c = l.c
	flapping.c.F.H[0].S = Learning
	c, _ = flapping.MarshalBinary()
	bad("of no state", c, "impossible history")
	flapping.c = l.c
	flapping.c.Smooth.Weight = 0
	c, _ = flapping.MarshalBinary()
	bad("of blocks of nothing", c, "smoothing that no board does")
	// a number that no learner writes, under a right checksum
	n := len(snapMagic) + 1
	for i := n; i < len(b)-12; i++ {
		if math.Float64frombits(binary.LittleEndian.Uint64(b[i:])) == l.c.F.Step {
			for _, x := range []float64{math.NaN(), math.Inf(-1), 1e41, -1e41} {
				c = bytes.Clone(b)
				binary.LittleEndian.PutUint64(c[i:], math.Float64bits(x))
				bad(fmt.Sprint(x), reseal(c), "no learner writes")
			}
			return
		}
	}
	t.Fatal("the step is not in the snapshot")
}

func reseal(b []byte) []byte {
	b = b[:len(b)-4]
	return binary.LittleEndian.AppendUint32(b, crc(b))
}

// The spec lets a compiler fuse x*y+z where no conversion stands between. None
// must be left in this package, or a Raspberry Pi decides other than a server.
func TestNoFusedMultiplyAdd(t *testing.T) {
	if testing.Short() {
		t.Skip("compiles for another architecture")
	}
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("no go command")
	}
	fused := func(dir string) []string {
		cmd := exec.Command("go", "build", "-gcflags=-S", ".")
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm64")
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return regexp.MustCompile(`[^\s(]*\.go:\d+\)\s+F(?:N?M(?:ADD|SUB))[DS]\b`).FindAllString(string(out), -1)
	}
	if got := fused("."); len(got) > 0 {
		t.Errorf("fused on arm64: %v", got)
	}
	// control: the test does see one where there is one
	dir := t.TempDir()
	os.WriteFile(dir+"/go.mod", []byte("module x\ngo 1.21\n"), 0o644)
	os.WriteFile(dir+"/x.go", []byte("package x\n\nfunc F(a, b, c float64) float64 { return a*b + c }\n"), 0o644)
	if got := fused(dir); len(got) != 1 {
		t.Errorf("control: found %v", got)
	}
}

func TestExpLn(t *testing.T) {
	for x := -699.0; x < 20; x += 0.0371 {
		if got, want := exp(x), math.Exp(x); math.Abs(got-want) > 1e-12*want {
			t.Fatalf("exp(%v) = %v, want %v", x, got, want)
		}
	}
	for x := 1e-30; x < 1e30; x *= 1.0137 {
		if got, want := ln(x), math.Log(x); math.Abs(got-want) > 1e-12*math.Max(1, math.Abs(want)) {
			t.Fatalf("ln(%v) = %v, want %v", x, got, want)
		}
	}
	if exp(-1e9) != 0 || exp(math.NaN()) != 0 {
		t.Fatal("exp of nonsense")
	}
}

func TestObserveAllocates(t *testing.T) {
	l, next := busy(3000)
	i := 3000
	if n := testing.AllocsPerRun(2000, func() { at, y := next(i); l.Observe(at, y); i++ }); n != 0 {
		t.Fatalf("%v allocations a reading", n)
	}
}

func BenchmarkObserve(b *testing.B) {
	l, next := busy(5000)
	b.ReportAllocs()
	i := 5000
	for b.Loop() {
		l.Observe(next(i))
		i++
	}
}

// BenchmarkSnapshot writes a snapshot and reads it back.
func BenchmarkSnapshot(b *testing.B) {
	l, _ := busy(5000)
	b.ReportAllocs()
	var m Learner
	for b.Loop() {
		img, err := l.MarshalBinary()
		if err != nil {
			b.Fatal(err)
		}
		if err := m.UnmarshalBinary(img); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkMemory tells the heap that 10,000 learners take.
func BenchmarkMemory(b *testing.B) {
	for b.Loop() {
		var a, z runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&a)
		ls := make([]*Learner, 10000)
		for i := range ls {
			ls[i] = New(Config{})
			ls[i].Observe(t0, 1)
		}
		runtime.GC()
		runtime.ReadMemStats(&z)
		b.ReportMetric(float64(z.HeapAlloc-a.HeapAlloc)/1e6, "MB/10000")
		runtime.KeepAlive(ls)
	}
}

// TestImage holds the written-out image to what encoding/binary makes of the
// same fields, all different, so that none is left out, twice or out of order.
func TestImage(t *testing.T) {
	var c core
	n := 0
	var fill func(v reflect.Value)
	fill = func(v reflect.Value) {
		n++
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				fill(v.Field(i))
			}
		case reflect.Array:
			for i := range v.Len() {
				fill(v.Index(i))
			}
		case reflect.Bool:
			v.SetBool(true)
		case reflect.Float64:
			v.SetFloat(float64(n) + 0.25)
		case reflect.Int64:
			v.SetInt(int64(-n))
		case reflect.Uint64, reflect.Uint32:
			v.SetUint(uint64(n))
		case reflect.Uint8:
			v.SetUint(uint64(n % 251))
		default:
			t.Fatalf("a field of kind %s: image.go has no word for it", v.Kind())
		}
	}
	fill(reflect.ValueOf(&c).Elem())
	want, err := binary.Append(nil, binary.LittleEndian, &c)
	if err != nil {
		t.Fatal(err)
	}
	out := image{b: make([]byte, len(want)+8)}
	c.image(&out)
	for i := range want {
		if out.b[i] != want[i] {
			t.Fatalf("byte %d of %d (%d written) differs", i, len(want), out.at)
		}
	}
	if out.at != len(want) {
		t.Fatalf("%d bytes written where the fields have %d", out.at, len(want))
	}
	in := image{b: want, reading: true}
	var d core
	d.image(&in)
	if d != c || in.at != len(want) || in.strange {
		t.Fatalf("read back otherwise, %d bytes of %d", in.at, len(want))
	}
	// bools one by one: all of them true would hide one taken for another
	size := len(want)
	for i, b := range want {
		if b != 1 {
			continue
		}
		x := bytes.Clone(want)
		x[i] = 0
		if _, err := binary.Decode(x, binary.LittleEndian, &c); err != nil {
			t.Fatal(err)
		}
		in, d = image{b: x, reading: true}, core{}
		if d.image(&in); d != c {
			t.Fatalf("byte %d of %d is read otherwise", i, size)
		}
	}
}
