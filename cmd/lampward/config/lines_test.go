package config

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkParse reads configurations of 100 and of 10,000 lamps and boards.
// The time of each lamp must not grow with their number.
func BenchmarkParse(b *testing.B) {
	for _, n := range []int{100, 1000, 10_000} {
		b.Run(fmt.Sprintf("lamps=%d", n), func(b *testing.B) {
			var text strings.Builder
			for i := range n {
				fmt.Fprintf(&text, "[[lamp]]\nname = \"l%d\"\ntopic = \"t/%d\"\n[[device]]\nname = \"l%d\"\nreport_every = \"60s\"\n", i, i, i)
			}
			for b.Loop() {
				cfg, err := Parse("lampward.toml", []byte(text.String()))
				require.NoError(b, err)
				require.Len(b, cfg.Lamps, n)
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/float64(n), "µs/lamp")
		})
	}
}

// Line numbers are the library's own, wherever a key stands.
func TestLinesAsTheLibraryCounts(t *testing.T) {
	const text = "\n# remark\r\n[broker]\r\nlisten = \"a\"\n\n[[lamp]]\nname = \"x\"\ntags = [\n  1,\n  {a = 1, b = [2]}\n]\nlong = \"\"\"\nis\nnot a = key\n\"\"\"\nlast.of.all = 1"
	d, _, err := parse("lampward.toml", []byte(text))
	require.NoError(t, err)
	require.Equal(t, map[string]int{
		"broker": 3, "broker.listen": 4, "lamp[1]": 6, "lamp[1].name": 7, "lamp[1].tags": 8,
		"lamp[1].tags[2].a": 10, "lamp[1].tags[2].b": 10, "lamp[1].long": 12, "lamp[1].last.of.all": 16,
	}, d.lines)
}
