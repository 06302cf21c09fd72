package people

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestEachRoleMayAllThatTheOnesBeforeItMay(t *testing.T) {
	all := append([]Role{Nobody}, Roles...)
	for i, r := range all {
		for j, least := range all {
			assert.Equal(t, i >= j, r.May(least), "%s may what needs %s", r, least)
		}
		assert.NotEmpty(t, r.Does())
	}
}

func TestRoleIsReadAsItIsWritten(t *testing.T) {
	for _, r := range Roles {
		got, err := ParseRole(" " + strings.ToUpper(r.String()) + " ")
		require.NoError(t, err)
		assert.Equal(t, r, got)
	}
	for _, word := range []string{"", "nobody", "admin", "owner;"} {
		_, err := ParseRole(word)
		assert.ErrorContains(t, err, "Choose mixer, painter or owner.", word)
		assert.Equal(t, Mixer, RoleOf(word), "a word that nobody knows gives the least")
	}
	assert.Equal(t, "Role(7)", Role(7).String())
}

func TestShopIsLockedByAnOwnerWithAPIN(t *testing.T) {
	owner := Person{ID: 1, Name: "Ann", Role: Owner, Active: true, HasPIN: true}
	for name, change := range map[string]func(*Person){
		"without a PIN": func(p *Person) { p.HasPIN = false },
		"not active":    func(p *Person) { p.Active = false },
		"painter":       func(p *Person) { p.Role = Painter },
	} {
		other := owner
		change(&other)
		assert.False(t, Locked([]Person{other}), name)
		assert.True(t, Locked([]Person{other, owner}), name)
		assert.ErrorIs(t, CheckChange([]Person{owner}, []Person{other}), ErrLastOwner, name)
		assert.NoError(t, CheckChange([]Person{owner, owner}, []Person{owner, other}), name)
		assert.NoError(t, CheckChange([]Person{other}, []Person{other}), name)
	}
	assert.False(t, Locked(nil))
}
