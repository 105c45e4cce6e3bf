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

func TestTable(t *testing.T) {
	if !*full {
		t.Skip("prints the table with -full")
	}
	row := func(name string, r Result) string {
		return fmt.Sprintf("%-12s changes %5d missed %4d (first day %3d) false %3d (first day %2d) delay %2d blink %2d",
			name, r.Changes, r.Missed, r.EarlyMissed, r.False, r.EarlyFalse, Median(r.Delay), Median(r.BlinkDelay))
	}
	var sum Result
	for _, f := range append(Families(), Mixtures()...) {
		if *only != "" && *only != f.Name {
			continue
		}
		var me, hind, clair Result
		for s := range *seeds {
			tr := Generate(f, *first+uint64(s))
			r := Score(tr, Run(tr))
			if *detail && r.Missed+r.False > 0 {
				t.Logf("%s seed %d: missed %d (%d) false %d (%d) of %d", f.Name, *first+uint64(s), r.Missed, r.EarlyMissed, r.False, r.EarlyFalse, r.Changes)
			}
			me.Add(r)
			if *bases {
				hind.Add(Hindsight(tr))
				clair.Add(Score(tr, Clairvoyant(tr)))
			}
		}
		fmt.Printf("%-22s %s\n", f.Name, row("learner", me))
		if *bases {
			fmt.Printf("%-22s %s\n%-22s %s\n", "", row("hindsight", hind), "", row("clairvoyant", clair))
		}
		sum.Add(me)
	}
	fmt.Println(row("all", sum))
}
