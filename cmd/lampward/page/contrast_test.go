package page

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Text stands out from what it is written on by 4.5 to 1, and what must be seen
// of a drawing by 3 to 1, in both colour schemes: WCAG 2.2, success criteria
// 1.4.3 and 1.4.11, with its formula of relative luminance (from memory).
func TestContrast(t *testing.T) {
	css, err := files.ReadFile("static/page.css")
	require.NoError(t, err)
	roots := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllStringSubmatch(string(css), -1)
	require.Len(t, roots, 2)
	colours := map[string]string{}
	for i, scheme := range []string{"light", "dark"} {
		for _, m := range regexp.MustCompile(`--([\w-]+): (#[0-9a-f]{6})`).FindAllStringSubmatch(roots[i][1], -1) {
			colours[m[1]] = m[2]
		}
		check := func(least float64, fore, backs string) {
			for _, back := range strings.Fields(backs) {
				got := contrast(t, colours[fore], colours[back])
				assert.GreaterOrEqual(t, got, least, "%s: %s on %s", scheme, fore, back)
			}
		}
		for _, text := range []string{"ink", "faint", "abnormal-ink", "danger"} {
			check(4.5, text, "ground sheet abnormal-wash")
		}
		check(4.5, "normal", "sheet")
		check(4.5, "must-ink", "must")
		check(4.5, "ground", "ink")
		check(3, "faint", "ground sheet abnormal-wash") // edges of fields, of a dark lamp and of bars
		check(3, "glow-edge", "ground sheet abnormal-wash deadband")
		check(3, "trace", "sheet deadband")
		check(3, "focus", "ground sheet abnormal-wash")
	}
	// The control: pale on pale is found.
	assert.Less(t, contrast(t, "#b9c4d6", "#fffdf8"), 3.0)
	assert.InDelta(t, 21, contrast(t, "#000000", "#ffffff"), 0.001)
}

func contrast(t *testing.T, a, b string) float64 {
	luminance := func(hex string) float64 {
		require.Len(t, hex, 7)
		var sum float64
		for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
			n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
			require.NoError(t, err)
			c := float64(n) / 255
			if c <= 0.04045 {
				c /= 12.92
			} else {
				c = math.Pow((c+0.055)/1.055, 2.4)
			}
			sum += weight * c
		}
		return sum
	}
	la, lb := luminance(a), luminance(b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}
