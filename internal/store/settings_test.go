package store

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

func TestSettings(t *testing.T) {
	s := openBook(t)
	read, err := s.Settings(ctx)
	require.NoError(t, err)
	assert.Equal(t, DefaultSettings(), read)
	require.NoError(t, checkSettings(read), "the defaults pass their own check")

	changed := Settings{
		ShopName: "Rim & Panel", Currency: "kr", LimitDeltaE: 0.5, TolerancePercent: 10, CupCost: 45, MinuteRate: 120,
		Balance: gram.Balance{Division: 50, HighFrom: 600 * gram.Gram, HighDivision: 100, Max: 3000 * gram.Gram},
		Cups:    []pour.Cup{{Name: "Small", Brim: 200, Empty: 8 * gram.Gram, Cost: 30}}, Unit: "oz", TypedReadings: true,
		Scale: ScaleSetup{Kind: ScaleTyped}, CheckWeight: 200 * gram.Gram,
	}
	require.NoError(t, s.SaveSettings(ctx, changed))
	read, err = s.Settings(ctx)
	require.NoError(t, err)
	assert.Equal(t, changed, read)

	// A setting that is not kept yet, as after an upgrade that brings a new one, has its default.
	require.NoError(t, s.update(ctx, "forget", func(t *tx) error { return t.exec(`DELETE FROM setting WHERE name = 'limit_delta_e'`) }))
	read, err = s.Settings(ctx)
	require.NoError(t, err)
	changed.LimitDeltaE = DefaultSettings().LimitDeltaE
	assert.Equal(t, changed, read)
}

func TestBadSettings(t *testing.T) {
	s := openBook(t)
	for field, spoil := range map[string]func(*Settings){
		"limit_delta_e":     func(n *Settings) { n.LimitDeltaE = math.NaN() },
		"tolerance_percent": func(n *Settings) { n.TolerancePercent = 0 },
		"cup_cost":          func(n *Settings) { n.CupCost = -1 },
		"balance":           func(n *Settings) { n.Balance.Division = 0 },
		"cups":              func(n *Settings) { n.Cups = append(n.Cups, n.Cups[0]) },
		"unit":              func(n *Settings) { n.Unit = "bucket" },
		"shop_name":         func(n *Settings) { n.ShopName = "\x00" },
	} {
		bad := DefaultSettings()
		spoil(&bad)
		assert.Equal(t, []string{field}, problems(t, s.SaveSettings(ctx, bad)))
	}
	read, err := s.Settings(ctx)
	require.NoError(t, err)
	assert.Equal(t, DefaultSettings(), read)
}
