package main

import (
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/calc"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// wrongNumbers is what no field for an amount may take.
var wrongNumbers = []string{"", "0", "-5", "NaN", "Inf", "1e400", "10000000000", "ten", "1,2,3", "٣٥٠ g of", strings.Repeat("9", 1<<20), "5; DROP TABLE batch", "\x00", "<script>alert(1)</script>"}

// TestBadInputAtTheBench sends nonsense to every form around a cup: each is refused with a sentence and a status of
// 4xx, and the cup is as it was.
func TestBadInputAtTheBench(t *testing.T) {
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"))
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	formulaID := eightToners(t, book)
	ann := newClient(t, startServing(t, book, nil).url)
	refused := func(t *testing.T, said answer, what string) {
		t.Helper()
		assert.GreaterOrEqual(t, said.Status, 400, "%.60s", what)
		assert.Less(t, said.Status, 500, "%.60s: %s", what, said.Problem)
	}

	t.Run("mix", func(t *testing.T) {
		for _, wrong := range wrongNumbers {
			form := mixForm(uuid.NewString(), true)
			form.Set("amount", wrong)
			refused(t, ann.must(fmt.Sprintf("/mix/%d", formulaID), form), wrong)
		}
		for _, form := range []url.Values{
			{"amount": {"500"}, "unit": {"stone"}},
			{"amount": {"500"}, "unit": {"g"}, "job": {strings.Repeat("x", 100_000)}},
			{"amount": {"10"}, "unit": {"kg"}, "typed_readings": {"1"}}, // heavier than the scale carries
			{"amount": {"3"}, "unit": {"g"}, "typed_readings": {"1"}},   // nothing this scale can weigh, and nobody said it is meant
		} {
			refused(t, ann.must(fmt.Sprintf("/mix/%d", formulaID), form), form.Encode())
		}
		for _, path := range []string{"/mix/0", "/mix/-1", "/mix/99999999999999999999", "/mix/abc", "/mix/999"} {
			refused(t, ann.must(path, mixForm(uuid.NewString(), true)), path)
		}
		batches, err := book.Batches(t.Context(), store.BatchFilter{})
		require.NoError(t, err)
		assert.Empty(t, batches, "nothing was stored in part")
	})

	id := ann.mix(formulaID, true)
	for _, tap := range typedTaps()[:9] {
		state, err := book.State(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, ann.tap(state, tap).Status)
	}
	unchanged := func(t *testing.T, state pour.State) {
		t.Helper()
		now, err := book.State(t.Context(), id)
		require.NoError(t, err)
		assert.Equal(t, state.Seq, now.Seq, "the cup is as it was")
	}

	t.Run("taps", func(t *testing.T) {
		state, err := book.State(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, pour.NeedStir, state.Need())
		for _, form := range []url.Values{
			{"action": {""}},
			{"action": {"explode"}},
			{"action": {"correct"}, "choice": {"exact"}},
			{"action": {"correct"}, "choice": {"\x00"}},
			{"action": {"pour"}, "step": {"1"}, "attempt": {"1"}, "typed": {"100"}},
			{"action": {"pour"}, "step": {"-1"}, "attempt": {"x"}, "typed": {"100"}},
			{"action": {"wrong"}, "toner": {"0"}},
			{"action": {"wrong"}, "toner": {"x"}},
			{"action": {"wrong"}},
			{"action": {"take_back"}, "event": {"nobody"}},
			{"action": {"finish"}, "kept": {"1"}},
			{"action": {"poured_off"}, "typed": {"1"}},
			{"action": {"moved"}, "typed": {"1"}},
			{"action": {"lifted"}, "typed": {"1"}},
			{"action": {"shaken"}, "key": {"t0"}},
			{"action": {"bring_up"}},
			{"action": {"tint"}, "toner": {"1"}, "grams": {"5"}},
			{"action": {"cup"}, "typed": {"5"}},
		} {
			refused(t, ann.tap(state, form), form.Encode())
		}
		stale := seen(state, url.Values{"action": {"stirred"}})
		stale.Set("seen", "1")
		refused(t, ann.must("/batch/"+id+"/tap", stale), "stale")
		unchanged(t, state)
	})

	state, err := book.State(t.Context(), id)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, ann.tap(state, url.Values{"action": {"stirred"}}).Status)
	state, err = book.State(t.Context(), id)
	require.NoError(t, err)
	toner := strconv.FormatInt(state.Components[0].TonerID, 10)

	t.Run("tint, draw, reduce and finish", func(t *testing.T) {
		for _, wrong := range wrongNumbers {
			refused(t, ann.tap(state, url.Values{"action": {"tint"}, "toner": {toner}, "grams": {wrong}}), "tint "+wrong)
			refused(t, ann.must("/batch/"+id+"/reduce", seen(state, url.Values{"paint": {wrong}, "hardener": {"Hardener"}, "hardener_parts": {"1"}, "by": {"weight"}})), "paint "+wrong)
			refused(t, ann.must("/batch/"+id+"/reduce", seen(state, url.Values{"paint": {"2"}, "reducer": {"Reducer"}, "reducer_parts": {wrong}, "by": {"weight"}})), "reducer "+wrong)
			refused(t, ann.must("/batch/"+id+"/reduce", seen(state, url.Values{"paint": {"2"}, "reducer": {"Reducer"}, "reducer_parts": {"1"}, "by": {"weight"}, "share": {"part"}, "portion": {wrong}, "unit": {"g"}})), "portion "+wrong)
			if wrong == "" || wrong == "0" {
				continue // nothing typed: nothing kept
			}
			refused(t, ann.tap(state, url.Values{"action": {"draw"}, "grams": {wrong}}), "draw "+wrong)
			refused(t, ann.tap(state, url.Values{"action": {"finish"}, "kept": {wrong}}), "kept "+wrong)
		}
		refused(t, ann.tap(state, url.Values{"action": {"tint"}, "toner": {toner, toner}, "grams": {"1", "2"}}), "a toner twice")
		refused(t, ann.tap(state, url.Values{"action": {"tint"}, "toner": {""}, "grams": {"5"}}), "grams of nothing")
		refused(t, ann.must("/batch/"+id+"/reduce", seen(state, url.Values{"paint": {"2"}})), "nothing to reduce with")
		unchanged(t, state)
	})

	t.Run("people and shop", func(t *testing.T) {
		for _, name := range []string{"", " ", strings.Repeat("x", 200), strings.Repeat("ñ", 1<<20)} {
			refused(t, ann.must("/who", url.Values{"new": {name}}), name)
		}
		for _, name := range []string{"Åsa Þórsdóttir", "佐藤 海", "نور", "O'Neill-Ω"} {
			assert.Equal(t, http.StatusSeeOther, ann.must("/who", url.Values{"new": {name}}).Status, name)
		}
		before, err := book.Settings(t.Context())
		require.NoError(t, err)
		for _, field := range []string{"limit", "tolerance", "division", "max"} {
			for _, wrong := range wrongNumbers {
				form := url.Values{
					"name": {"Shop"}, "currency": {"EUR"}, "limit": {"0.3"}, "tolerance": {"20"}, "cup_cost": {"0.35"}, "minute": {"0.80"}, "division": {"0.1"}, "max": {"7500"},
					"cup_name": {"400 ml cup"}, "cup_brim": {"400"}, "cup_empty": {"15"},
				}
				form.Set(field, wrong)
				refused(t, ann.must("/shop", form), field+" "+wrong)
			}
		}
		after, err := book.Settings(t.Context())
		require.NoError(t, err)
		assert.Equal(t, before, after)
	})
}

// TestBadInputToCalculators sends nonsense to every calculator over HTTP: a problem that names what is wrong, never a fault.
func TestBadInputToCalculators(t *testing.T) {
	book, err := store.Open(filepath.Join(t.TempDir(), "book.db"))
	require.NoError(t, err)
	t.Cleanup(func() { book.Close() })
	base := startServing(t, book, nil).url
	many := `{"components":[` + strings.TrimSuffix(strings.Repeat(`{"toner":"Chalk","grams":1},`, 200), ",") + `],"amount":{"value":1,"unit":"kg"},"division":0.1}`
	for _, name := range append(calc.Names(), "nobody") {
		for _, body := range []string{
			"", "null", "[]", "{}", "{", `{"unknown": 1}`, `{"components": []}`, `{"components": "NaN"}`, many,
			`{"components":[{"toner":"A","grams":-1}],"amount":{"value":1,"unit":"g"},"division":0.1}`,
			`{"components":[{"toner":"A","grams":1}],"amount":{"value":1e400,"unit":"g"},"division":0.1}`,
			`{"components":[{"toner":"A","grams":1}],"amount":{"value":10000000,"unit":"kg"},"division":0.1}`,
			`{"components":[{"toner":"A","grams":1}],"amount":{"value":1,"unit":"ml"},"division":0.1}`,
			strings.Repeat("[", 100_000), strings.Repeat("x", 1<<20),
		} {
			res, err := http.Post(base+"/api/calc/"+name, "application/json", strings.NewReader(body))
			require.NoError(t, err)
			assert.Equal(t, http.StatusUnprocessableEntity, res.StatusCode, "%s %.60s", name, body)
			assert.Equal(t, "application/problem+json", res.Header.Get("Content-Type"), "%s %.60s", name, body)
			require.NoError(t, res.Body.Close())
		}
	}
}
