package people

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

var noon = time.Date(2026, 3, 12, 12, 0, 0, 0, time.UTC)

func TestWaitsGrowAfterTheFreeTries(t *testing.T) {
	l := Limit{Free: 3, First: 30 * time.Second, Most: 3 * time.Minute}
	var tries Tries
	now := noon
	for i, want := range []time.Duration{0, 0, 30 * time.Second, time.Minute, 2 * time.Minute, 3 * time.Minute, 3 * time.Minute} {
		assert.Zero(t, l.Wait(tries, now))
		tries = l.Charge(tries, now)
		assert.Equal(t, want, l.Wait(tries, now), "after wrong PIN %d", i+1)
		now = now.Add(want)
	}
	tries = l.Charge(Tries{Failed: 1 << 40}, now)
	assert.Equal(t, 3*time.Minute, l.Wait(tries, now))
}

// How many PINs can be tried in a day, whatever the hand does: the promise of the comment on TriesPerPerson.
func TestADayOfGuessing(t *testing.T) {
	count := 0
	var tries Tries
	for now := noon; now.Before(noon.Add(24 * time.Hour)); now = now.Add(time.Second) {
		for TriesPerPerson.Wait(tries, now) == 0 {
			tries = TriesPerPerson.Charge(tries, now)
			count++
		}
	}
	assert.Less(t, count, 110)
	assert.Greater(t, count, 90)
}

func TestClockSetBackKeepsNobodyOutForLonger(t *testing.T) {
	tries := Tries{Failed: 50, Until: noon.Add(TriesPerPerson.Most)}
	assert.Equal(t, TriesPerPerson.Most, TriesPerPerson.Wait(tries, noon.AddDate(-20, 0, 0)))
	assert.Zero(t, TriesPerPerson.Wait(tries, noon.Add(TriesPerPerson.Most)))
}

// Over any stretch of time no more comes through than the burst and what has grown since.
func TestRateLetsNoMoreThrough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Rate{Burst: float64(rapid.IntRange(1, 20).Draw(t, "burst")), PerSecond: float64(rapid.IntRange(1, 20).Draw(t, "per second"))}
		var b Bucket
		now, passed := noon, 0
		for range rapid.IntRange(1, 200).Draw(t, "requests") {
			now = now.Add(time.Duration(rapid.IntRange(0, 500).Draw(t, "ms")) * time.Millisecond)
			var ok bool
			if b, ok = r.Take(b, now); ok {
				passed++
			}
			if most := r.Burst + now.Sub(noon).Seconds()*r.PerSecond + 1e-6; float64(passed) > most {
				t.Fatalf("%d came through, the most is %.2f", passed, most)
			}
		}
		if !r.Full(b, now.Add(time.Hour)) {
			t.Fatal("an hour later it is full again")
		}
	})
}

func TestRateRefusesAndRecovers(t *testing.T) {
	r := Rate{Burst: 2, PerSecond: 1}
	b, ok := r.Take(Bucket{}, noon)
	assert.True(t, ok)
	assert.False(t, r.Full(b, noon))
	b, ok = r.Take(b, noon)
	assert.True(t, ok)
	b, ok = r.Take(b, noon)
	assert.False(t, ok)
	b, ok = r.Take(b, noon.Add(-time.Hour))
	assert.False(t, ok, "a clock set back gives nothing away")
	_, ok = r.Take(b, noon.Add(time.Second))
	assert.True(t, ok)
}

func TestSpell(t *testing.T) {
	for wait, want := range map[time.Duration]string{
		time.Millisecond: "1 second", 1500 * time.Millisecond: "2 seconds", 89 * time.Second: "89 seconds", 90 * time.Second: "2 minutes", 15 * time.Minute: "15 minutes",
	} {
		assert.Equal(t, want, Spell(wait))
	}
}
