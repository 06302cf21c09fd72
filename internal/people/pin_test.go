package people

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var salt = bytes.Repeat([]byte{7}, SaltSize)

// The vector is that of the Argon2 reference implementation (phc-winner-argon2, src/test.c, Argon2id, version 0x13,
// t=2, m=2^16 KiB, p=1, "password", "somesalt").
func TestHashIsThatOfTheReferenceImplementation(t *testing.T) {
	const kept = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	ok, err := PIN{"password"}.Is(kept)
	require.NoError(t, err)
	assert.True(t, ok)
	ok, err = PIN{"passwore"}.Is(kept)
	require.NoError(t, err)
	assert.False(t, ok)
}

func TestPINIsKnownAgainAndNoOtherIs(t *testing.T) {
	pin, err := NewPIN("4 7 1 1 0 9", Owner)
	require.NoError(t, err)
	hash, err := pin.Hash(salt)
	require.NoError(t, err)
	assert.True(t, strings.HasPrefix(hash, "$argon2id$v=19$m=19456,t=2,p=1$"), hash)
	assert.NotContains(t, hash, "471109")
	for typed, want := range map[string]bool{"471109": true, " 471 109": true, "471108": false, "": false, "4711090": false} {
		ok, err := TypedPIN(typed).Is(hash)
		require.NoError(t, err)
		assert.Equal(t, want, ok, typed)
	}
	_, err = pin.Hash([]byte("short"))
	assert.Error(t, err)
}

func TestPINThatAnybodyWouldTryIsRefused(t *testing.T) {
	for _, c := range []struct {
		pin  string
		role Role
		says string // "" where it is taken
	}{
		{"", Mixer, "4 to 12 digits"},
		{"", Owner, "6 to 12 digits"},
		{"271", Mixer, "at least 4"},
		{"2718", Painter, ""},
		{"27182", Owner, "at least 6"},
		{"271828", Owner, ""},
		{"2718281828459", Mixer, "at most 12"},
		{"0000", Mixer, "digits that do not run"},
		{"1234", Mixer, "digits that do not run"},
		{"987654", Owner, "digits that do not run"},
		{"1357", Mixer, ""},
		{"12a4", Mixer, "digits only"},
		{"１２３９", Mixer, "digits only"},
		{strings.Repeat("9", 1<<20), Mixer, "at most 12"},
	} {
		_, err := NewPIN(c.pin, c.role)
		if c.says == "" {
			assert.NoError(t, err, c.pin)
			continue
		}
		var problem Problem
		require.ErrorAs(t, err, &problem)
		assert.Contains(t, string(problem), c.says)
	}
}

func TestPINNeverPrintsItself(t *testing.T) {
	pin, err := NewPIN("2718", Mixer)
	require.NoError(t, err)
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q"} {
		assert.NotContains(t, fmt.Sprintf(verb, pin), "2718", verb)
		assert.NotContains(t, fmt.Sprintf(verb, &pin), "2718", verb)
	}
}

// A kept hash that another hand has changed is an error: it lets nobody in, and asks for no more memory than is sane.
func TestKeptHashThatWasTamperedWith(t *testing.T) {
	good, err := PIN{"2718"}.Hash(salt)
	require.NoError(t, err)
	for _, bad := range []string{
		"", "2718", "$", good + "$", strings.Replace(good, "argon2id", "argon2i", 1), strings.Replace(good, "v=19", "v=16", 1),
		strings.Replace(good, "m=19456", "m=4194304", 1), strings.Replace(good, "m=19456", "m=0", 1), strings.Replace(good, "t=2", "t=0", 1),
		strings.Replace(good, "t=2", "t=4000000000", 1), strings.Replace(good, "p=1", "p=200", 1), strings.Replace(good, "p=1", "p=300", 1), good[:len(good)-30],
	} {
		ok, err := PIN{"2718"}.Is(bad)
		assert.ErrorIs(t, err, ErrHash, bad)
		assert.False(t, ok, bad)
	}
	rapid.Check(t, func(t *rapid.T) {
		ok, err := PIN{"2718"}.Is(rapid.StringMatching(`\$argon2id\$v=19\$m=[0-9]{1,2},t=[0-2],p=[0-2]\$[A-Za-z0-9+/]{0,24}\$[A-Za-z0-9+/]{0,40}`).Draw(t, "hash"))
		if ok {
			t.Fatalf("a made-up hash let somebody in (%v)", err)
		}
	})
}
