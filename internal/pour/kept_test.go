package pour

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/gram"
)

// keptBatch is a batch as a released version wrote it. Such files are written once and never changed.
type keptBatch struct {
	Batch  string      `json:"batch"`
	Events []keptEvent `json:"events"`
	After  keptAfter   `json:"after"`
}

type keptEvent struct {
	ID      string          `json:"id"`
	At      time.Time       `json:"at"`
	By      string          `json:"by"`
	Device  string          `json:"device"`
	Epoch   int             `json:"epoch"`
	Kind    Kind            `json:"kind"`
	Version int             `json:"version"`
	Body    json.RawMessage `json:"body"`
}

// keptAfter is what the cup was at the end, in milligrams.
type keptAfter struct {
	In        map[Key]gram.Mass `json:"in"`
	Total     gram.Mass         `json:"total"`
	Drawn     gram.Mass         `json:"drawn"`
	Tipped    gram.Mass         `json:"tipped"`
	Left      gram.Mass         `json:"left"`
	Last      gram.Mass         `json:"last"`
	Holder    string            `json:"holder"`
	Uncertain bool              `json:"uncertain"`
	Pours     int               `json:"pours"`
	Need      Need              `json:"need"`
}

func after(s State) keptAfter {
	in := map[Key]gram.Mass{}
	for i, c := range s.Components {
		in[c.Key] = s.In[i]
	}
	return keptAfter{in, s.Total, s.Drawn, s.Tipped, s.Left, s.Last, s.Holder, s.Uncertain, len(s.Done), s.Need()}
}

// A batch of every released version is the same cup today.
func TestKeptEvents(t *testing.T) {
	files, err := filepath.Glob("../../testdata/events/*.json")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	seen := map[Kind]bool{}
	for _, name := range files {
		data, err := os.ReadFile(name)
		require.NoError(t, err)
		var batches []keptBatch
		require.NoError(t, json.Unmarshal(data, &batches))
		for _, b := range batches {
			var events []Event
			for i, k := range b.Events {
				seen[k.Kind] = true
				body, err := Decode(k.Kind, k.Version, k.Body)
				require.NoError(t, err, "%s: event %d", name, i+1)
				events = append(events, Event{ID: k.ID, Batch: b.Batch, Seq: i + 1, At: k.At, By: k.By, Device: k.Device, Epoch: k.Epoch, Body: body})
			}
			s, err := Fold(events)
			require.NoError(t, err, "%s: %s", name, b.Batch)
			assert.Equal(t, b.After, after(s), "%s: %s", name, b.Batch)
			checkConservation(t, events, s)
		}
	}
	for k := range decoders {
		assert.True(t, seen[k], "no kept sample holds %s", k)
	}
}

// broken is a colour that must not be asked.
type broken struct{}

func (broken) Distance([]float64) (float64, []float64) { panic("replay asked for a colour") }

// The choice was worked out with colour data; its milligrams are in the list, and replay asks for no colour.
func TestReplayAsksNoColour(t *testing.T) {
	m := newMixer(t, request())
	m.place(t)
	m.pour(t, g(350))
	m.pour(t, g(120))
	m.pour(t, g(27))
	c := plane{[]float64{0.7, 0.24, 0.05, 0.01}, []float64{3, 10, 100, 40}}
	m.do(t, pick(t, Choices(m.s, Shop{}, c), LeastPaint).Corrected())
	m.rest(t)
	assert.Panics(t, func() { Choices(m.s, Shop{}, broken{}) })
	again, err := Fold(m.events)
	require.NoError(t, err)
	assert.Equal(t, m.s, again)
}

func TestDecodeRefusesWhatItDoesNotKnow(t *testing.T) {
	_, err := Decode("poured", 2, []byte("{}"))
	assert.ErrorContains(t, err, "newer Pourbook")
	_, err = Decode("poured", 0, []byte("{}"))
	assert.Error(t, err)
	_, err = Decode("sung", 1, []byte("{}"))
	assert.Error(t, err)
	_, err = Decode("poured", 1, []byte(`{"pitch": 3}`))
	assert.Error(t, err, "a field nobody knows means a newer program wrote it")
}
