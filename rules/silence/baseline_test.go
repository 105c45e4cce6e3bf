package silence

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// phi is the accrual failure detector of Hayashibara et al., SRDS 2004 (from
// memory): the mean and deviation of the last gaps, taken as normal.
type phi struct {
	gaps    []float64 // ms; ring
	i, n    int
	sum, sq float64
	last    time.Time
}

func newPhi(window int) *phi { return &phi{gaps: make([]float64, window)} }

func (p *phi) Report(at time.Time) {
	if !p.last.IsZero() {
		g := float64(at.Sub(p.last).Milliseconds())
		if p.n == len(p.gaps) {
			old := p.gaps[p.i]
			p.sum -= old
			p.sq -= old * old
		} else {
			p.n++
		}
		p.gaps[p.i] = g
		p.i = (p.i + 1) % len(p.gaps)
		p.sum += g
		p.sq += g * g
	}
	p.last = at
}

// Deadline returns when phi reaches what one false suspicion in five years
// asks for.
func (p *phi) Deadline() (time.Time, bool) {
	if p.n < 30 {
		return time.Time{}, false
	}
	mean := p.sum / float64(p.n)
	sd := max(math.Sqrt(max(p.sq/float64(p.n)-mean*mean, 0)), 100)
	want := -math.Log10(mean / float64(DefaultFalseEvery.Milliseconds()))
	return p.last.Add(ms(int64(phiTime(want, mean, sd)))), true
}

// phiAt returns phi = -log10(P(gap > t)) of normal gaps.
func phiAt(t, mean, sd float64) float64 {
	return -math.Log10(0.5 * math.Erfc((t-mean)/(sd*math.Sqrt2)))
}

// phiTime returns the time at which phi is reached.
func phiTime(phi, mean, sd float64) float64 {
	return mean + sd*math.Sqrt2*math.Erfcinv(2*math.Pow(10, -phi))
}

// TestPhi checks the baseline against published meaning and tabled values.
func TestPhi(t *testing.T) {
	b, err := os.ReadFile("testdata/phi_accrual.json")
	require.NoError(t, err)
	var table struct {
		Inverse     []struct{ Mean, SD, Phi, T float64 } `json:"normal_inverse"`
		Forward     []struct{ Mean, SD, T, Phi float64 } `json:"normal_forward"`
		Exponential []struct{ Mean, T, Phi float64 }
	}
	require.NoError(t, json.Unmarshal(b, &table))
	require.NotEmpty(t, table.Inverse)
	for _, v := range table.Inverse {
		assert.InDelta(t, v.T, phiTime(v.Phi, v.Mean, v.SD), 1e-6, "%+v", v)
	}
	for _, v := range table.Forward {
		if v.Phi < 30 { // beyond, the far tail of the table's own method
			assert.InDelta(t, v.Phi, phiAt(v.T, v.Mean, v.SD), 1e-6, "%+v", v)
		}
	}
	for _, v := range table.Exponential {
		assert.InDelta(t, v.Phi, v.T/v.Mean/math.Ln10, 1e-9, "%+v", v)
	}

	// Phi 1, 2, 3 mean a chance of 10 %, 1 %, 0.1 % to suspect wrongly
	// (Hayashibara et al., section on the meaning of phi; from memory).
	r := rand.New(rand.NewPCG(9_000_001, 1))
	const n = 400_000
	var wrong [4]int
	for range n {
		g := 60 + 5*r.NormFloat64()
		for phi := 1; phi <= 3; phi++ {
			if g > phiTime(float64(phi), 60, 5) {
				wrong[phi]++
			}
		}
	}
	for phi := 1; phi <= 3; phi++ {
		want := n * math.Pow(10, -float64(phi))
		assert.InDelta(t, want, float64(wrong[phi]), 4*math.Sqrt(want), "phi %d", phi)
	}
}

// TestOwnTailAgainstPhi: the share of the gaps that the estimator takes to be
// longer than its late mark is what the normal distribution says.
func TestOwnTailAgainstPhi(t *testing.T) {
	r := rand.New(rand.NewPCG(9_000_002, 1))
	for _, sd := range []float64{3, 8, 15} {
		e := New(Config{})
		at := time.UnixMilli(1_800_000_000_000)
		for range 20_000 {
			e.Report(at)
			at = at.Add(ms(int64(max(60e3+sd*1e3*r.NormFloat64(), 1e3))))
		}
		late, ok := e.Late()
		require.True(t, ok)
		// One gap in fifty is longer: phi 1.7. The bins are an eighth of an
		// octave wide, and a median weighted by length lies sd^2/mean higher.
		got := phiAt(late.Seconds(), 60, sd)
		t.Logf("sd %v s: late after %v, phi %.2f", sd, late, got)
		assert.GreaterOrEqual(t, got, 1.55)
		assert.LessOrEqual(t, phiTime(1.7, 60, sd), late.Seconds()+0.5)
		assert.LessOrEqual(t, late.Seconds(), phiTime(1.7, 60, sd)+0.2*60)
	}
}
