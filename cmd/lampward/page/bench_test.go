package page

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// BenchmarkGlance draws the list of 1,000 lamps.
func BenchmarkGlance(b *testing.B) {
	f := newFake()
	f.st.Lamps, f.st.Boards = nil, nil
	for i := range 1000 {
		n := fmt.Sprint("lamp ", i)
		f.st.Lamps = append(f.st.Lamps, Lamp{Name: n, Board: n, State: "dark", Since: now.Add(-time.Duration(i) * time.Hour), At: now, Value: 212, OnAbove: 470, OffBelow: 380, Confidence: 0.99, Alarm: Alarm{State: "normal"}})
		f.st.Boards = append(f.st.Boards, Board{Name: n, Lamps: []string{n}, Last: now, Every: time.Minute, Alarm: Alarm{State: "normal"}})
	}
	s := newServer(b, f, nil)
	for b.Loop() {
		require.Equal(b, 200, get(s, "/").Code)
	}
}
