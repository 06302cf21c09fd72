package web

import (
	"errors"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"pourbook/internal/pour"
	"pourbook/internal/store"
)

func TestWhatIsTypedWrongIsNoFaultOfTheDisk(t *testing.T) {
	s := openShop(t)
	_, err := s.store.Search(t.Context(), store.Query{Text: strings.Repeat("wort ", 2000)})
	require.ErrorIs(t, err, store.ErrInvalid)
	f := faultOf(err)
	assert.Equal(t, http.StatusUnprocessableEntity, f.status)
	assert.Equal(t, store.Sentence(err), f.sentence)
	assert.Contains(t, f.sentence, "too long")
	assert.NotEmpty(t, f.next)

	_, err = s.store.Plan(t.Context(), "batch", pour.Command{ID: "plan", Body: pour.Planned{}})
	f = faultOf(err)
	assert.Equal(t, http.StatusUnprocessableEntity, f.status)
	assert.Contains(t, f.sentence, "pours nothing")
}

// A page never stands there without a sentence, whatever the store could say of it.
func TestEveryFaultHasASentence(t *testing.T) {
	cause := errors.New("cause")
	for _, err := range []error{
		cause, &store.Error{Doing: "save", Err: cause}, &store.Error{Doing: "save", Err: store.ErrInvalid},
		&store.Error{Doing: "save", Err: store.ErrFull, Sentence: "The disk is full."}, store.ErrNotFound,
	} {
		f := faultOf(err)
		assert.NotEmpty(t, f.sentence, "%v", err)
		assert.NotEmpty(t, f.next, "%v", err)
		assert.GreaterOrEqual(t, f.status, 400)
		assert.ErrorIs(t, f, err)
	}
	assert.Equal(t, http.StatusServiceUnavailable, faultOf(&store.Error{Doing: "save", Err: store.ErrFull, Sentence: "The disk is full."}).status)
}
