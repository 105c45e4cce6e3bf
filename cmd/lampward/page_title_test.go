package main

import (
	"testing"

	"github.com/stretchr/testify/require"

	"lampward/rules"
)

// The number in the title, which is all that shows of a tab behind others, is
// that of what is not acknowledged, also when that changes.
func TestTitleCounts(t *testing.T) {
	b := newTab(t, newBrowser(t), screens[1])
	c := newCellar(t, "")
	c.history(1)
	b.open(c.url)
	b.untilText("#link-state", "live")
	require.Equal(t, "Lamps · lampward", eval[string](b, `document.title`))
	for range 3 {
		c.publish("freezer", 2000)
	}
	b.until(`document.querySelector('.waiting [data-find="freezer lit"]')`)
	b.until(`document.title === "(1) Lamps · lampward"`)
	for _, path := range []string{"/lamp?name=freezer", "/board?name=freezer", "/alerts"} {
		other := newTab(t, b.ctx, screens[1])
		other.open(c.url + path)
		require.NotContains(t, eval[string](other, `document.title`), "(", "%s does not keep the number true, so it shows none", path)
	}
	require.NoError(t, c.d.do(t.Context(), job{}, rules.Input{Kind: rules.InAck, Lamp: "freezer"}))
	b.until(`!document.querySelector('.waiting')`)
	b.until(`document.title === "Lamps · lampward"`)
	b.sound("the list")
}
