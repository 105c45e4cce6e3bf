package learn

import (
	"testing"
	"time"
)

// vault is a room without a window, whose dark level reads 1500, with a lamp of 400 counts. Whoever
// comes switches a light on that makes 1100, for nine minutes.
type vault struct {
	*feeder
	lamp float64
}

func newVault(seed uint64) *vault {
	return &vault{feeder: feed(Config{}, time.Minute, 6).seed(seed, 7)}
}

// stands lets so many hours go by.
func (c *vault) stands(hours int) { c.read(60*hours, flat(1500+c.lamp), 1) }

// visit is one after which the lamp is as bright as this.
func (c *vault) visit(lamp float64) {
	c.read(4, flat(2600+c.lamp), 1)
	c.lamp = lamp
	c.read(5, flat(2600+c.lamp), 1)
}

// month lets the lamp light every two days for some hours, and somebody come twice a day.
func (c *vault) month(days int) {
	for range days / 2 {
		c.stands(7)
		c.visit(0)
		c.stands(5)
		c.lamp = 400
		c.stands(6)
		c.visit(0)
		c.stands(9)
		c.visit(0)
		c.stands(20)
	}
}

// A light that shines for minutes only is not the lamp beside one that stays, though it is
// brighter: after the first visits each change of the lamp is told, and nothing else. Without that
// the light is told at each visit, and the lamp never, if the first change that was seen is a visit's.
func TestCeilingLightOfVisitors(t *testing.T) {
	for seed := range uint64(4) {
		c := newVault(seed)
		c.month(4)
		if n := len(c.got); n > 10 {
			t.Errorf("%d announced in the first days", n)
		}
		c.got = nil
		c.month(20)
		if lit, dark := c.times(Lit), c.times(Dark); lit != 10 || dark != 10 || len(c.got) != 20 {
			t.Errorf("lit was told %d times, dark %d times, of 10 each", lit, dark)
		}
		if step := c.l.c.F.Step; step < 380 || step > 420 {
			t.Errorf("the step is %.0f, want 400", step)
		}
	}
}

// The lamp's first change is told when it has stayed for twenty minutes, though all that was
// seen before is a visitor's brighter light.
func TestLampAfterVisitors(t *testing.T) {
	c := newVault(1)
	c.stands(5)
	c.visit(0)
	c.stands(9)
	c.visit(0)
	c.stands(14)
	c.got = nil
	c.lamp = 400
	c.stands(1)
	c.want(t, Lit)
	c.visit(0)
	c.stands(3)
	c.want(t, Lit, Dark)
	if v := c.got[1]; c.at.Sub(v.Since) > 3*time.Hour+10*time.Minute {
		t.Errorf("it went out at %v, by %v", c.at, v.Since)
	}
}

// One visit is enough, even if it was told by its end only: of the light that went out then, the
// readings kept show how short it was. Without that the lamp's first change is not told.
func TestLampAfterOneVisit(t *testing.T) {
	c := newVault(1)
	c.stands(5)
	c.read(6, flat(2600), 1)
	c.stands(14)
	if n := c.times(Dark); n != 1 || c.l.c.Told != 1 {
		t.Fatalf("%d announced as going dark, %d in all", n, len(c.got))
	}
	c.lamp = 400
	c.stands(1)
	c.want(t, Dark, Lit)
}

// A lamp that goes out while a visitor's light is on is told when that goes off, even if both came
// between two readings, or if the converter hardly shows the lamp beside the light. Without the
// light's way back the lamp is dark an hour later, at two in five.
func TestLampSeenToByVisitors(t *testing.T) {
	for name, beside := range map[string]float64{"at once": 0, "squeezed": 60, "in plain sight": 400} {
		c := newVault(3)
		c.month(10)
		c.stands(8)
		c.lamp = 400
		c.stands(8)
		c.got = nil
		if beside > 0 {
			c.read(4, flat(2600+beside), 1)
		}
		c.read(4, flat(2600), 1)
		c.lamp = 0
		c.read(14, flat(1500), 1)
		t.Log(name)
		c.want(t, Dark)
	}
}

// A light that was taken for a visitor's and stays is told after all.
func TestVisitorsLightStays(t *testing.T) {
	c := newVault(2)
	c.month(6)
	if !c.l.c.Edges.passing(1100) {
		t.Fatalf("the light of visitors is not known: %v", c.l.c.Edges.Passer)
	}
	c.visit(0)
	c.stands(3)
	c.got = nil
	c.read(90, flat(2600), 1)
	if c.l.c.Edges.passing(1100) {
		t.Error("it has stayed, and still passes for a visitor's")
	}
}
