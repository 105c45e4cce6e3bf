package main

import (
	"testing"
	"time"
)

// How long a board is silent goes on counting on an open page: there are no
// readings that would renew it.
func TestSilentForGoesOn(t *testing.T) {
	b := newTab(t, newBrowser(t), screens[1])
	c := newCellar(t, "")
	c.history(2)
	for range 60 { // nobody is heard
		c.clock.Advance(time.Minute)
		_ = c.d.do(t.Context(), job{})
	}
	b.open(c.url + "/board?name=salt")
	b.until(`/silent since .*, for 6\d min/.test(document.querySelector(".now .state").textContent)`)
	// The browser's clock cannot be moved; so the silence is made to begin later.
	eval[bool](b, `Boolean(document.querySelector(".now .state [data-for]").dataset.for = Number(document.body.dataset.now) - 90000)`)
	b.until(`/for (9\d|10\d|11\d) s$/.test(document.querySelector(".now .state").textContent)`)
	b.sound("a silent board")
}
