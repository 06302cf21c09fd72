package people

import (
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/crypto/argon2"
)

// A PIN has from ShortestPIN to LongestPIN digits. An owner, who can let tablets in, has at least ShortestOwnerPIN.
// With Tries in front of them, ten thousand PINs take weeks.
const (
	ShortestPIN      = 4
	ShortestOwnerPIN = 6
	LongestPIN       = 12
)

// SaltSize is how many random bytes Hash takes (RFC 9106, 3.1: 16 bytes are recommended).
const SaltSize = 16

// What a hash costs: Argon2id, 19 MiB, two passes, one lane (OWASP Password Storage Cheat Sheet, second of its equal
// choices). Only one part of the memory that a shop's small machine has.
const (
	hashMemory = 19 * 1024 // KiB
	hashPasses = 2
	hashLanes  = 1
	hashSize   = 32
	mostMemory = 64 * 1024 // KiB that a kept hash may ask for: the book may have been changed by another hand
)

// PIN is the digits that a person types. It never prints itself.
type PIN struct{ digits string }

// String hides the PIN from pages and logs.
func (PIN) String() string { return "PIN" }

// GoString hides the PIN from %#v.
func (PIN) GoString() string { return "PIN" }

// TypedPIN takes what was typed to be compared with a kept PIN. Spaces are let go.
func TypedPIN(text string) PIN {
	if len(text) > 4*LongestPIN {
		text = text[:4*LongestPIN]
	}
	return PIN{strings.Join(strings.Fields(text), "")}
}

// NewPIN checks a PIN that somebody of a role chose. The error is a Problem.
func NewPIN(text string, role Role) (PIN, error) {
	p := strings.Join(strings.Fields(text), "")
	shortest := ShortestPIN
	if role == Owner {
		shortest = ShortestOwnerPIN
	}
	if strings.Trim(p, "0123456789") != "" {
		return PIN{}, Problem("A PIN has digits only. Type it again.")
	}
	switch {
	case len(p) == 0:
		return PIN{}, Problem(fmt.Sprintf("Type a PIN of %d to %d digits.", shortest, LongestPIN))
	case len(p) < shortest && role == Owner:
		return PIN{}, Problem(fmt.Sprintf("An owner's PIN has at least %d digits. Type a longer one.", shortest))
	case len(p) < shortest:
		return PIN{}, Problem(fmt.Sprintf("A PIN has at least %d digits. Type a longer one.", shortest))
	case len(p) > LongestPIN:
		return PIN{}, Problem(fmt.Sprintf("A PIN has at most %d digits. Type a shorter one.", LongestPIN))
	case steady(p):
		return PIN{}, Problem("That PIN is one of the first that anybody would try. Choose digits that do not run in a row.")
	}
	return PIN{p}, nil
}

// steady reports whether every digit follows its neighbour by the same step of -1, 0 or 1: 0000, 1234, 9876.
func steady(p string) bool {
	step := int(p[1]) - int(p[0])
	if step < -1 || step > 1 {
		return false
	}
	for i := 2; i < len(p); i++ {
		if int(p[i])-int(p[i-1]) != step {
			return false
		}
	}
	return true
}

// Hash returns the form in which a PIN is kept, in the notation of the Argon2 reference implementation. It takes about
// 19 MiB and some 35 ms. Salt is SaltSize random bytes.
func (p PIN) Hash(salt []byte) (string, error) {
	if len(salt) != SaltSize {
		return "", fmt.Errorf("people: a salt has %d bytes, not %d", SaltSize, len(salt))
	}
	key := argon2.IDKey([]byte(p.digits), salt, hashPasses, hashMemory, hashLanes, hashSize)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, hashMemory, hashPasses, hashLanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// ErrHash is a kept hash that is not one, or that asks for more memory than is sane.
var ErrHash = errors.New("people: the kept PIN cannot be read")

// Is reports whether p is the PIN that was kept as hash.
func (p PIN) Is(hash string) (bool, error) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != "v="+strconv.Itoa(argon2.Version) {
		return false, ErrHash
	}
	var memory, passes uint32
	var lanes uint8
	if n, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); n != 3 || err != nil {
		return false, ErrHash
	}
	if memory < 8 || memory > mostMemory || passes < 1 || passes > 10 || lanes < 1 || lanes > 4 {
		return false, ErrHash
	}
	salt, err := base64.RawStdEncoding.Strict().DecodeString(parts[4])
	if err != nil || len(salt) < 8 || len(salt) > 64 {
		return false, ErrHash
	}
	key, err := base64.RawStdEncoding.Strict().DecodeString(parts[5])
	if err != nil || len(key) < 16 || len(key) > 64 {
		return false, ErrHash
	}
	return subtle.ConstantTimeCompare(key, argon2.IDKey([]byte(p.digits), salt, passes, memory, lanes, uint32(len(key)))) == 1, nil
}
