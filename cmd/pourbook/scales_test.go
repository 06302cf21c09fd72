package main

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
	"pourbook/internal/store"
)

func TestParseScale(t *testing.T) {
	tenth := gram.Balance{Division: 100 * gram.Milligram}
	saved := store.ScaleSetup{Kind: store.ScaleSerial, Path: "/dev/other", Balance: gram.Balance{Division: 10 * gram.Milligram, Max: 600 * gram.Gram}}
	for _, c := range []struct {
		flag     string
		saved    store.ScaleSetup
		division gram.Mass
		want     store.ScaleSetup
	}{
		{flag: "typed", want: store.ScaleSetup{Kind: "typed", Balance: tenth}},
		{flag: "pretend", want: store.ScaleSetup{Kind: "pretend", Balance: gram.Balance{Division: 100 * gram.Milligram, Max: 7500 * gram.Gram}}},
		{flag: "hid:0922:8003", division: gram.Gram, want: store.ScaleSetup{Kind: "hid", Vendor: 0x0922, Product: 0x8003, Balance: gram.Balance{Division: gram.Gram}}},
		{flag: "serial:/dev/ttyUSB0", want: store.ScaleSetup{Kind: "serial", Path: "/dev/ttyUSB0", Family: "header", Balance: tenth}},
		{flag: "serial:/dev/ttyUSB0", saved: saved, want: store.ScaleSetup{Kind: "serial", Path: "/dev/ttyUSB0", Family: "header", Balance: saved.Balance}},
		{
			flag: `serial:COM3?family=two words&baud=2400&bits=7&parity=even&stops=2&unit=kg&ask=SI\r\n&every=250ms`, want: store.ScaleSetup{
				Kind: "serial", Path: "COM3", Family: "two words", Baud: 2400, DataBits: 7, Parity: "even", TwoStops: true, Unit: "kg", Ask: "SI\r\n",
				Every: 250 * time.Millisecond, Balance: tenth,
			},
		},
		{
			flag: `serial:/dev/ttyACM0?line={state} +{mass} {unit}&stable=A&moving=B`, want: store.ScaleSetup{
				Kind: "serial", Path: "/dev/ttyACM0", Family: "own", Line: "{state} +{mass} {unit}", Stable: "A", Moving: "B", Balance: tenth,
			},
		},
	} {
		t.Run(c.flag, func(t *testing.T) {
			got, err := parseScale(c.flag, c.saved, c.division)
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
			device, name, err := buildScale(got, tenth)
			require.NoError(t, err)
			assert.NotEmpty(t, name)
			require.NoError(t, device.Close())
		})
	}
	for _, flag := range []string{"spring", "hid:0922", "hid:zz:8003", "serial:/dev/x?baud=fast", "serial:/dev/x?colour=red", "serial:/dev/x?every=soon"} {
		_, err := parseScale(flag, store.ScaleSetup{}, 0)
		var usage usageError
		assert.True(t, errors.As(err, &usage), "%s: %v", flag, err)
	}
	_, _, err := buildScale(store.ScaleSetup{Kind: "serial", Path: "/dev/x", Family: "header", Baud: 5}, tenth)
	assert.ErrorContains(t, err, "baud")
}

// A line is tried on a form before the form is saved.
func TestTryALine(t *testing.T) {
	s := &scales{}
	own := store.ScaleSetup{Kind: "serial", Family: "own", Line: "{state},{mass} {unit}", Stable: "A", Moving: "B", Balance: gram.Balance{Division: 100}}
	silent := own
	silent.Line = "{mass} {unit}"
	for _, c := range []struct {
		setup      store.ScaleSetup
		line, says string
	}{
		{own, "A,  12.3 g", "Understood: 12.3 g, at rest."},
		{own, "B,  12.3 g", "Understood: 12.3 g, moving."},
		{own, "A,  1.0 oz", "not in grams"},
		{silent, "12.3 g", "judged from the readings"},
		{store.ScaleSetup{Family: "header", Balance: own.Balance}, "ST,GS,+  123.4 g", "Understood: 123.4 g, at rest."},
		{store.ScaleSetup{Family: "header", Balance: own.Balance}, "OL,GS,+9999999E+19", "overloaded"},
	} {
		said, err := s.Understand(c.setup, c.line)
		require.NoError(t, err, c.line)
		assert.Contains(t, said, c.says, c.line)
	}
	_, err := s.Understand(own, "A 12.3 g")
	assert.ErrorContains(t, err, "does not fit")
	own.Line = "{state} only"
	_, err = s.Understand(own, "A only")
	assert.ErrorContains(t, err, "{mass}")
}
