package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
)

// A phone on the wall tells from a step away whether a lamp is lit; what is dark
// and well is folded away where it is much, opens for what is sought, and stays
// open when the list is sent anew.
func TestPageGlance(t *testing.T) {
	var many strings.Builder
	for i := range 40 {
		fmt.Fprintf(&many, "[[lamp]]\nname = \"cellar %02d\"\ntopic = \"many/%d\"\n", i, i)
	}
	c := newCellar(t, many.String()+"[[lamp]]\nname = \"pump\"\ntopic = \"pump\"\nnormal = \"lit\"\n")
	c.history(1)
	b := newTab(t, newBrowser(t), screens[0])
	b.open(c.url)
	b.untilText("#link-state", "live")
	assert.Equal(t, "No lamp is other than normal", eval[string](b, `document.querySelector("h1").innerText.trim()`), "for the pump's is lit when all is well")
	assert.False(t, eval[bool](b, `document.querySelector("#fold-rest").open`))
	b.keys("#find", "cellar 17")
	b.untilText("#found", "1 found")
	assert.Equal(t, "cellar 17", eval[string](b, `[...document.querySelectorAll("h3")].filter(e => e.checkVisibility()).map(e => e.innerText).join()`))
	b.keys("#find", "x")
	b.untilText("#found", "none found")
	eval[bool](b, `(() => { const f = document.querySelector("#find"); f.value = ""; f.dispatchEvent(new Event("input")); return true })()`)
	b.until(`!document.querySelector("#fold-rest").open`)
	b.click("#fold-rest summary")
	b.until(`document.querySelector("#fold-rest").open`)
	for range 3 {
		c.publish("freezer", 2000)
	}
	b.until(`document.querySelector('.waiting [data-find="freezer lit"]')`)
	assert.True(t, eval[bool](b, `document.querySelector("#fold-rest").open`), "the list was replaced, and what was open is open")
	b.untilText("h1", "freezer is lit")
	assert.Less(t, eval[float64](b, `document.querySelector("h1").getBoundingClientRect().bottom`), 300.0)
	for _, s := range []string{"h1", ".row-on h3", ".row-on .state strong"} {
		size := eval[float64](b, fmt.Sprintf(`parseFloat(getComputedStyle(document.querySelector(%q)).fontSize)`, s))
		assert.Greater(t, size, map[bool]float64{true: 33, false: 25}[s == "h1"], s)
	}
	b.sound("many lamps")
	b.shot("many")
}

// Who acknowledges by the keyboard stays with the lamp, and does not find the
// button of another one under the finger.
func TestPageKeyboard(t *testing.T) {
	c := newCellar(t, "")
	c.history(1)
	b := newTab(t, newBrowser(t), screens[1])
	b.open(c.url)
	b.untilText("#link-state", "live")
	c.history(8.5) // salt and tank are lit meanwhile
	for range 3 {
		c.publish("freezer", 2000)
	}
	b.until(`document.querySelectorAll(".waiting .row-on .do").length > 1`)
	first := eval[string](b, `(() => { const e = document.querySelector(".waiting .do"); e.focus(); return e.form.querySelector("[name=lamp]").value })()`)
	b.run(chromedp.KeyEvent("\r"))
	b.untilText("#said", first+": acknowledged.")
	b.until(`!document.querySelector('button[aria-label="Acknowledge ` + first + `"]')`)
	b.until(`document.activeElement.innerText === "` + first + `"`)
	assert.True(t, eval[bool](b, `document.activeElement.matches("h3 a")`))
	b.sound("the keyboard")
}
