package forecast

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// Dump lists the heaviest experts.
func (e *Engine) Dump(n int) string {
	idx := make([]int, e.nbank)
	var tot float64
	for i := range idx {
		idx[i] = i
		tot += math.Exp(e.bank[i].lw)
	}
	sort.Slice(idx, func(a, b int) bool { return e.bank[idx[a]].lw > e.bank[idx[b]].lw })
	var w strings.Builder
	fmt.Fprintf(&w, "    wob25 %.3f noise %.3f away %v plateau %v since %.0f\n", e.wobble.sd(25), e.noise.sd(), e.away, e.plateau, e.at-e.since)
	for _, i := range idx[:min(n, len(idx))] {
		x := &e.bank[i]
		fmt.Fprintf(&w, "    %-14s q=%-7g wob=%.2f w=%.3f T=%.2f r=%.5f±%.5f Ta=%.1f±%.2f n=%.2f±%.2f miss=%.1f\n", x.law.name, x.q, x.wob, math.Exp(x.lw)/tot, x.x[0], x.x[1], math.Sqrt(x.p[1][1]), x.x[2], math.Sqrt(x.p[2][2]), x.x[3], math.Sqrt(x.p[3][3]), x.miss)
	}
	return w.String()
}
