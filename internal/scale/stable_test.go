package scale

import (
	"encoding/csv"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"pourbook/internal/gram"
)

var midday = time.Date(2031, 3, 4, 12, 0, 0, 0, time.UTC)

// Expected instants: testdata/scales/stability_sequences.csv, where the source is named.
func TestJudgeStableOnSequences(t *testing.T) {
	f, err := os.Open("../../testdata/scales/stability_sequences.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 9)
	for _, row := range rows[1:] {
		t.Run(row[0], func(t *testing.T) {
			division, err := strconv.ParseInt(row[1], 10, 64)
			require.NoError(t, err)
			s := JudgeStable(gram.Mass(division))
			got := ""
			for _, point := range strings.Fields(row[2]) {
				at, mg, ok := strings.Cut(point, ":")
				require.True(t, ok)
				ms, err := strconv.Atoi(at)
				require.NoError(t, err)
				m, err := strconv.ParseInt(mg, 10, 64)
				require.NoError(t, err)
				_, steady := s.Add(shownAt(ms, gram.Mass(m)))
				if steady && got == "" {
					got = at
				}
			}
			assert.Equal(t, row[3], got)
		})
	}
}

func shownAt(ms int, m gram.Mass) Reading {
	return Reading{Mass: m, Stable: true, At: midday.Add(time.Duration(ms) * time.Millisecond), Status: OK}
}

func TestSteadyForSeconds(t *testing.T) {
	s := Steady{Window: 2 * time.Second, Within: 100}
	for ms := 0; ms < 2000; ms += 100 {
		since, steady := s.Add(shownAt(ms, 50_000))
		assert.Equal(t, time.Duration(ms)*time.Millisecond, since)
		assert.False(t, steady, "at %d ms", ms)
	}
	_, steady := s.Add(shownAt(2000, 50_100))
	assert.True(t, steady)

	since, steady := s.Add(shownAt(2100, 50_200))
	assert.False(t, steady, "0.2 g above where it was: a new run")
	assert.Equal(t, 100*time.Millisecond, since, "it begins after the last reading of 50.0 g")
}

func TestSteadyStartsAfresh(t *testing.T) {
	for name, breakUp := range map[string]Reading{
		"overload":        {Mass: 0, At: midday.Add(900 * time.Millisecond), Status: Overload},
		"ounces":          {Mass: 50_000, At: midday.Add(900 * time.Millisecond), Status: WrongUnit},
		"flagged moving":  {Mass: 50_000, At: midday.Add(900 * time.Millisecond), Status: OK},
		"clock went back": {Mass: 50_000, Stable: true, At: midday.Add(-time.Hour), Status: OK},
		"gap":             {Mass: 50_000, Stable: true, At: midday.Add(2 * time.Second), Status: OK},
	} {
		t.Run(name, func(t *testing.T) {
			s := Steady{Window: 800 * time.Millisecond, Within: 100, Flagged: true}
			for ms := 0; ms <= 800; ms += 100 {
				s.Add(shownAt(ms, 50_000))
			}
			since, steady := s.Add(breakUp)
			assert.False(t, steady)
			assert.Zero(t, since)
		})
	}
	unflagged := Steady{Window: 100 * time.Millisecond, Within: 100}
	for ms := 0; ms <= 200; ms += 100 {
		r := shownAt(ms, 1)
		r.Stable = false
		_, steady := unflagged.Add(r)
		assert.Equal(t, ms == 200, steady, "the device's flag does not count unless asked for")
	}
	never := Steady{Within: -1}
	for ms := range 10 {
		_, steady := never.Add(shownAt(ms, 1))
		assert.False(t, steady)
	}
}

// The running answer is compared with the definition, worked out afresh from all readings.
func TestSteadyIsLongestRun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		within := gram.Mass(rapid.IntRange(0, 3).Draw(t, "within"))
		s := Steady{Window: 500 * time.Millisecond, Within: within}
		var all []Reading
		ms := 0
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			ms += rapid.SampledFrom([]int{10, 100, 100, 100, 300, 1001}).Draw(t, "gap")
			r := shownAt(ms, gram.Mass(rapid.IntRange(0, 5).Draw(t, "mass")))
			all = append(all, r)
			since, steady := s.Add(r)

			first := len(all) - 1
			low, high := r.Mass, r.Mass
			for i := first - 1; i >= 0; i-- {
				low, high = min(low, all[i].Mass), max(high, all[i].Mass)
				if high-low > within || all[i+1].At.Sub(all[i].At) > time.Second {
					break
				}
				first = i
			}
			want := r.At.Sub(all[first].At)
			if since != want {
				t.Fatalf("at %d ms: since %v, want %v", ms, since, want)
			}
			if ok := want >= s.Window && len(all)-first >= 3; ok != steady {
				t.Fatalf("at %d ms: steady %v, want %v", ms, steady, ok)
			}
		}
	})
}

// A scale that stands still for days must not fill the memory.
func TestSteadyKeepsLittle(t *testing.T) {
	s := JudgeStable(100)
	for ms := 0; ms < 1_000_000; ms += 100 {
		s.Add(shownAt(ms, 50_000+gram.Mass(ms/100%2)*100))
	}
	assert.LessOrEqual(t, len(s.lows)+len(s.highs), 4)
}
