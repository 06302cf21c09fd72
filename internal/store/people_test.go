package store

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestPeople(t *testing.T) {
	s := openBook(t)
	bo, err := s.SavePerson(ctx, Person{Name: " Bo ", Role: "painter", Active: true})
	require.NoError(t, err)
	ann, err := s.SavePerson(ctx, Person{Name: "Ann", Active: true})
	require.NoError(t, err)
	assert.Equal(t, "mixer", ann.Role)
	al, err := s.SavePerson(ctx, Person{Name: "Al"})
	require.NoError(t, err)
	all, err := s.People(ctx)
	require.NoError(t, err)
	assert.Equal(t, []Person{ann, {ID: bo.ID, Name: "Bo", Role: "painter", Active: true}, al}, all, "who is active first")

	_, err = s.SavePerson(ctx, Person{Name: "ANN"})
	assert.Equal(t, []string{"name"}, problems(t, err))
	_, err = s.SavePerson(ctx, Person{Name: "\n"})
	assert.Equal(t, []string{"name"}, problems(t, err))
	_, err = s.SavePerson(ctx, Person{ID: 99, Name: "Ghost"})
	require.ErrorIs(t, err, ErrNotFound)
	_, err = s.Person(ctx, 99)
	require.ErrorIs(t, err, ErrNotFound)
	ann.Name, ann.Active = "Anna", false
	_, err = s.SavePerson(ctx, ann)
	require.NoError(t, err)
	read, err := s.Person(ctx, ann.ID)
	require.NoError(t, err)
	assert.Equal(t, ann, read)
}
