package lab

import (
	"flag"
	"fmt"
	"testing"
)

var (
	full   = flag.Bool("full", false, "print the whole table of the lab, with baselines")
	seeds  = flag.Int("seeds", 10, "seeds per family with -full")
	first  = flag.Uint64("first", 1000, "first seed with -full; those the defaults were tuned on are below 1000")
	bases  = flag.Bool("baselines", true, "with -full: also run the baselines")
	detail = flag.Bool("detail", false, "with -full: one line for each trace with errors")
	only   = flag.String("family", "", "with -full: this family only")
)

// bins of announced confidence for the reliability table: lower bounds.
var bins = []float64{0, 0.7, 0.85, 0.92, 0.97, 0.99, 0.997, 0.999}

type reliability [8]struct{ n, right int }

func (r *reliability) add(ev []Event, found []bool) {
	for i, e := range ev {
		k := 0
		for k < len(bins)-1 && e.Confidence >= bins[k+1] {
			k++
		}
		r[k].n++
		if found[i] {
			r[k].right++
		}
	}
}

func row(name string, r Result) string {
	return fmt.Sprintf("%-12s changes %5d missed %4d (first day %3d) false %3d (first day %2d) delay %2d blink %2d",
		name, r.Changes, r.Missed, r.EarlyMissed, r.False, r.EarlyFalse, Median(r.Delay), Median(r.BlinkDelay))
}

// TestTable prints the lab's whole table with -full; without, it holds the
// learner to a bound on one month of each family.
func TestTable(t *testing.T) {
	n, from := *seeds, *first
	if !*full {
		n, from = 1, 5001
	}
	var sum, fifteen Result
	var baseline [3]Result
	var rel reliability
	for k, f := range append(Families(), Mixtures()...) {
		if *only != "" && *only != f.Name {
			continue
		}
		var me, hind, split, clair Result
		for s := range n {
			tr := Generate(f, from+uint64(s))
			ev := Run(tr)
			r := Score(tr, ev)
			rel.add(ev, r.Found)
			if *detail && r.Missed+r.False > 0 {
				t.Logf("%s seed %d: missed %d (%d) false %d (%d) of %d", f.Name, from+uint64(s), r.Missed, r.EarlyMissed, r.False, r.EarlyFalse, r.Changes)
			}
			me.Add(r)
			if *full && *bases {
				hind.Add(Hindsight(tr))
				split.Add(Score(tr, Split(tr)))
				clair.Add(Score(tr, Clairvoyant(tr)))
			}
		}
		if *full {
			fmt.Printf("%-22s %s\n", f.Name, row("learner", me))
			if *bases {
				fmt.Printf("%-22s %s\n%-22s %s\n%-22s %s\n", "", row("hindsight", hind), "", row("otsu", split), "", row("clairvoyant", clair))
				baseline[0].Add(hind)
				baseline[1].Add(split)
				baseline[2].Add(clair)
			}
		}
		sum.Add(me)
		if k < 15 {
			fifteen.Add(me)
		}
		if f.Name == "still" && !*full && me.False > 0 {
			t.Errorf("still: %d false announcements", me.False)
		}
	}
	if *full {
		fmt.Println(row("the fifteen", fifteen))
		fmt.Println(row("all", sum))
		for i, name := range []string{"hindsight", "otsu", "clairvoyant"} {
			if *bases {
				fmt.Println(row(name, baseline[i]), "(all)")
			}
		}
		for k, b := range rel {
			if b.n > 0 {
				fmt.Printf("announced at confidence >= %.3f: %5d, right %.4f\n", bins[k], b.n, float64(b.right)/float64(b.n))
			}
		}
		return
	}
	t.Log(row("the fifteen", fifteen))
	if late := fifteen.Missed - fifteen.EarlyMissed; late > fifteen.Changes/100 || fifteen.False > 8 || Median(fifteen.Delay) > 2 || Median(fifteen.BlinkDelay) > 10 {
		t.Errorf("the learner became worse: %s", row("the fifteen", fifteen))
	}
}
