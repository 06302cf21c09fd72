package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/rehearse"
)

func rehearsedWith(t *testing.T, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), append([]string{"rehearse", "--cups", "12"}, args...), nil, &out))
	return out.String()
}

func TestRehearseJSON(t *testing.T) {
	text := rehearsedWith(t, "--json", "--seed", "4", "--division", "0.01", "--hand", "apprentice")
	var got struct {
		Policies []struct {
			Name  string
			Extra map[string]float64 `json:"extra_paint_percent"`
			Delta map[string]float64 `json:"delta_e"`
			Pours float64            `json:"pours_per_component"`
			Cups  int
		}
	}
	require.NoError(t, json.Unmarshal([]byte(text), &got))
	var names []string
	for _, p := range got.Policies {
		names = append(names, p.Name)
		assert.Contains(t, p.Extra, "mean")
		assert.Contains(t, p.Extra, "p95")
		for _, key := range []string{"mean", "p95", "worst"} {
			assert.Contains(t, p.Delta, key)
		}
		assert.Equal(t, 12, p.Cups)
		assert.Positive(t, p.Pours)
	}
	assert.Equal(t, rehearse.Ways(), names)
	assert.Equal(t, text, rehearsedWith(t, "--json", "--seed", "4", "--division", "0.01", "--hand", "apprentice"), "one seed, one result")
}

// Without slips no way pours anything twice.
func TestRehearseWithoutSlips(t *testing.T) {
	var got rehearsed
	require.NoError(t, json.Unmarshal([]byte(rehearsedWith(t, "--json", "--hand", "sure")), &got))
	require.NotEmpty(t, got.Policies)
	for _, p := range got.Policies {
		assert.Equal(t, 1., p.Pours, p.Name)
	}
}

func TestRehearseText(t *testing.T) {
	text := rehearsedWith(t)
	assert.Equal(t, 2, strings.Count(text, "12 cups, skilled hand"), "with the toners' own colour data and with wrong ones")
	for _, name := range rehearse.Ways() {
		assert.Equal(t, 6, strings.Count(text, "\n"+name+" "), "table, distribution and chart, twice: %s", name)
	}
	var help bytes.Buffer
	assert.ErrorIs(t, run(t.Context(), []string{"rehearse", "-h"}, nil, &help), errHelp)
	for _, word := range []string{"THE MODEL", "lognormal", "invented", "hindsight", "Exit codes"} {
		assert.Contains(t, help.String(), word)
	}
}

func TestRehearseRefuses(t *testing.T) {
	for _, args := range [][]string{{"--cups", "0"}, {"--hand", "third"}, {"--division", "0"}, {"--division", "NaN"}, {"--wrong", "90"}, {"more"}, {"--cups", "x"}} {
		var out bytes.Buffer
		err := run(t.Context(), append([]string{"rehearse"}, args...), nil, &out)
		var usage usageError
		assert.ErrorAs(t, err, &usage, "%v", args)
	}
}
