package store

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
)

// The words of an invented book.
var (
	firstWords  = strings.Fields("Amber Ash Azure Birch Bramble Brass Canal Carbon Cedar Chalk Cinder Clay Cliff Cobble Copper Coral Dune Dusk Ember Fern Fjord Flint Forest Frost Garnet Glacier Granite Harbour Hazel Heather Indigo Iron Ivory Jade Juniper Kelp Lagoon Larch Lead Lichen Linen Maple Marsh Mint Moss Mustard Nettle Night Oak Ochre Olive Opal Orchid Pebble Pine Pistachio Plum Quartz Rain Reed Ruby Rust Saffron Sage Sand Sapphire Shale Silver Slate Smoke Steel Stone Storm Sun Teal Thistle Tin Topaz Umber Violet Walnut Wheat Willow Zinc")
	secondWords = strings.Fields("blue green grey red yellow gate door mist glow shade pearl metallic white black brown deep light lane field bay ridge dawn evening meadow bridge mill yard tower")
)

// fillBook imports n formulas, in batches so that no commit grows beyond reason.
func fillBook(tb testing.TB, s *Store, n int) {
	tb.Helper()
	toners := shelve(tb, s, solvent, "Snow", "Sea", "Soot", "Brick", "Straw", "Leaf", "Dusk")
	r := rand.New(rand.NewPCG(1, 2))
	pick := func(words []string) string { return words[r.IntN(len(words))] }
	for done := 0; done < n; {
		entries := make([]NewEntry, min(2000, n-done))
		for i := range entries {
			f := entry(pick(firstWords)+" "+pick(secondWords), fmt.Sprintf("%c%d-%03d/%d", 'A'+r.IntN(26), r.IntN(10), r.IntN(1000), r.IntN(10)))
			f.Years, f.Tags = fmt.Sprint(1950+r.IntN(70)), []string{pick(secondWords)}
			f.Finish = formula.Finishes[r.IntN(len(formula.Finishes))]
			entries[i] = NewEntry{Formula: f, Revisions: []formula.Revision{{Lines: lines(toners[:3+r.IntN(5)]...)}}}
		}
		_, err := s.ImportFormulas(ctx, entries)
		require.NoError(tb, err)
		done += len(entries)
	}
}

// BenchmarkSearch types into books of two sizes: one letter, two, whole words, codes, two words, a filter, nothing.
func BenchmarkSearch(b *testing.B) {
	for _, size := range []int{10_000, 100_000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			s := openBook(b)
			fillBook(b, s, size)
			for _, q := range []struct {
				name  string
				query Query
			}{
				{"page", Query{}},
				{"page180", Query{Offset: 180 * 50}},
				{"recent", Query{Recent: true}},
				{"letter", Query{Text: "s"}},
				{"letters", Query{Text: "k7"}},
				{"digit", Query{Text: "1"}},
				{"word", Query{Text: "pist"}},
				{"code", Query{Text: "K7-204"}},
				{"two_words", Query{Text: "gre sla"}},
				{"filter", Query{Text: "g", Finish: formula.FinishPearl, System: solvent}},
				{"other_system", Query{Text: "g", System: "Water base"}},
				{"nothing", Query{Text: "xyzzy"}},
			} {
				b.Run(q.name, func(b *testing.B) {
					var took []time.Duration
					for b.Loop() {
						start := time.Now()
						if _, err := s.Search(ctx, q.query); err != nil {
							b.Fatal(err)
						}
						took = append(took, time.Since(start))
					}
					slices.Sort(took)
					b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "p50-ms")
					b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
				})
			}
		})
	}
}
