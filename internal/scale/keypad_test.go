package scale

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
)

func TestKeypadKeepsWhatIsTyped(t *testing.T) {
	k := NewKeypad(shopBalance)
	defer k.Close()
	typed := []gram.Mass{12_300, 0, -400, 612_500, 2_500_000}
	var want []Reading
	for _, m := range typed {
		r, err := k.Type(m)
		require.NoError(t, err)
		assert.True(t, r.Stable)
		assert.Equal(t, OK, r.Status)
		assert.Equal(t, m, r.Mass)
		want = append(want, r)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var got []Reading
	err := k.Read(ctx, func(r Reading) {
		if got = append(got, r); len(got) == 2 {
			cancel()
		}
	})
	require.ErrorIs(t, err, context.Canceled)

	ctx, cancel = context.WithCancel(t.Context())
	defer cancel()
	err = k.Read(ctx, func(r Reading) {
		if got = append(got, r); len(got) == len(typed) {
			cancel()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, want, got, "typed while nobody read, read in two goes")
}

func TestKeypadRefuses(t *testing.T) {
	k := NewKeypad(shopBalance)
	defer k.Close()
	for m, why := range map[gram.Mass]string{
		25_040:           "25.040 g lies between two steps of this scale, which shows every 0.1 g here",
		3_000_500:        "which shows every 1 g here",
		6_300_000:        "more than this scale can carry",
		-1 << 63:         "more than this scale can carry",
		2 * gram.MaxMass: "more than this scale can carry",
	} {
		_, err := k.Type(m)
		assert.ErrorContains(t, err, why)
	}
	r, err := k.Type(100)
	require.NoError(t, err)
	assert.EqualValues(t, 1, r.Serial, "what was refused is not counted")
}
