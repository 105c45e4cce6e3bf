package rules

import (
	"math/rand/v2"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// How sure an event is reads the same beside it as in its reason.
func TestSureAsInTheReason(t *testing.T) {
	says := regexp.MustCompile(`; ([^;]* %) sure`)
	seen := map[string]bool{}
	for _, step := range []float64{8, 12, 20, 400} {
		m := New()
		cfg := Config{Lamps: []LampConfig{{Name: "tank"}}}
		m.Step(Input{At: epoch, Kind: InConfig, Config: &cfg})
		m.Step(Input{At: epoch, Kind: InStart})
		rng := rand.New(rand.NewPCG(5, uint64(step)))
		for i := range 6000 {
			in := Input{At: epoch.Add(time.Duration(i) * time.Minute), Kind: InReading, Lamp: "tank", Value: 300 + 6*rng.NormFloat64()}
			if i/150%2 == 1 {
				in.Value += step
			}
			for _, e := range m.Step(in) {
				if found := says.FindStringSubmatch(e.Why); found != nil {
					assert.Equal(t, found[1], Sure(e.Confidence), "%v", e.Confidence)
					seen[found[1]] = true
				}
			}
		}
	}
	t.Log(seen)
	require.Greater(t, len(seen), 4)
	require.Contains(t, seen, "over 99.9 %")
	assert.Equal(t, "over 99.9 %", Sure(1))
	assert.Equal(t, "99.9 %", Sure(0.999))
	assert.Equal(t, "87 %", Sure(0.87))
}
