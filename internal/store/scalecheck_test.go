package store

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
)

func TestScaleChecks(t *testing.T) {
	s := openBook(t)
	day := time.Date(2026, 3, 12, 8, 0, 0, 0, time.UTC)
	_, err := s.ScaleCheckBefore(ctx, day)
	require.ErrorIs(t, err, ErrNotFound)

	for _, c := range []struct {
		name          string
		empty, loaded gram.Mass
		off           gram.Mass
		passed        bool
	}{
		{"to the gram", 0, 200 * gram.Gram, 0, true},
		{"a division too much", 0, 200_100, 100, true},
		{"the zero is off, not the scale", 1_300, 201_300, 0, true},
		{"two divisions too little", 0, 199_800, -200, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			day = day.Add(time.Minute)
			kept, err := s.SaveScaleCheck(ctx, ScaleCheck{At: day, By: " Ann ", Scale: "bench", Known: 200 * gram.Gram, Empty: c.empty, Loaded: c.loaded, Division: 100})
			require.NoError(t, err)
			assert.Equal(t, c.passed, kept.Passed)
			assert.Equal(t, c.off, kept.Off())
			found, err := s.ScaleCheckBefore(ctx, day)
			require.NoError(t, err)
			assert.Equal(t, kept, found)
			assert.Equal(t, "Ann", found.By)
		})
	}
	all, err := s.ScaleChecks(ctx, 3)
	require.NoError(t, err)
	require.Len(t, all, 3)
	assert.Equal(t, gram.Mass(199_800), all[0].Loaded, "the newest comes first")
	early, err := s.ScaleCheckBefore(ctx, day.Add(-90*time.Second))
	require.NoError(t, err)
	assert.Equal(t, gram.Mass(200_100), early.Loaded, "what came later does not count")
}

func TestScaleCheckRefusals(t *testing.T) {
	s := openBook(t)
	good := ScaleCheck{Scale: "bench", Known: 200 * gram.Gram, Loaded: 200 * gram.Gram, Division: 100}
	for name, spoil := range map[string]func(*ScaleCheck){
		"no weight":     func(c *ScaleCheck) { c.Known = 0 },
		"a ton":         func(c *ScaleCheck) { c.Known = 1000 * gram.Kilogram },
		"no division":   func(c *ScaleCheck) { c.Division = 0 },
		"no scale":      func(c *ScaleCheck) { c.Scale = " " },
		"no reading":    func(c *ScaleCheck) { c.Loaded = 2 * gram.MaxMass },
		"a long person": func(c *ScaleCheck) { c.By = string(make([]byte, 5000)) },
	} {
		t.Run(name, func(t *testing.T) {
			c := good
			spoil(&c)
			_, err := s.SaveScaleCheck(ctx, c)
			var problems formula.Problems
			require.ErrorAs(t, err, &problems)
		})
	}
	_, err := s.SaveScaleCheck(ctx, good)
	require.NoError(t, err)
	require.Error(t, s.update(ctx, "test", func(t *tx) error { return t.exec(`DELETE FROM scale_check`) }))
	require.Error(t, s.update(ctx, "test", func(t *tx) error { return t.exec(`UPDATE scale_check SET passed = 0`) }))
}

func TestScaleSetupIsKept(t *testing.T) {
	s := openBook(t)
	set, err := s.Settings(ctx)
	require.NoError(t, err)
	assert.Equal(t, ScaleTyped, set.Scale.Kind, "a new book has no scale")
	set.Scale = ScaleSetup{
		Kind: ScaleSerial, Path: "/dev/ttyUSB0", Baud: 2400, DataBits: 7, Parity: "even", Family: "own", Line: "{state} {mass} {unit}",
		Stable: "S", Moving: "D", Ask: "SIR\r\n", Every: 200 * time.Millisecond, Balance: gram.Balance{Division: 10, HighFrom: 600_000, HighDivision: 100, Max: 3 * gram.Kilogram},
	}
	require.NoError(t, s.SaveSettings(ctx, set))
	again, err := s.Settings(ctx)
	require.NoError(t, err)
	assert.Equal(t, set, again)

	set.Scale.Balance.Division = 0
	require.Error(t, s.SaveSettings(ctx, set), "a scale without a division cannot be planned for")
	set.Scale = ScaleSetup{Kind: "spring"}
	require.Error(t, s.SaveSettings(ctx, set))
}
