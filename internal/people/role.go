// Package people holds who may do what in a shop: persons and their roles, PINs, and how often a PIN may be tried.
//
// It promises values only. A salt and the time come in, nothing is read or kept here; what is kept is the store's, who
// is asking is found by web. It knows nothing of paint. Start with Role for what each person may do, PIN for how a PIN
// is kept, Limit for what happens after a wrong one.
package people

import (
	"fmt"
	"strings"
)

// Problem is what is wrong with what was asked for, as a sentence that a person may see.
type Problem string

func (p Problem) Error() string { return string(p) }

// Role is how far a person may go. Each role may do everything that the ones before it may.
type Role int

// The roles, least first. Nobody is who has not said who they are, or whose tablet has not joined.
const (
	Nobody  Role = iota
	Mixer        // pours
	Painter      // also logs cards and makes variants
	Owner        // also edits formulas, toners, people and limits
)

// Roles are those that a person can have, least first.
var Roles = []Role{Mixer, Painter, Owner}

var roleNames = [...]string{"nobody", "mixer", "painter", "owner"}

// String returns the word for a role, as it is kept and shown.
func (r Role) String() string {
	if r < Nobody || r > Owner {
		return fmt.Sprintf("Role(%d)", int(r))
	}
	return roleNames[r]
}

// ParseRole reads the word of a role that a person can have.
func ParseRole(word string) (Role, error) {
	for _, r := range Roles {
		if strings.EqualFold(strings.TrimSpace(word), r.String()) {
			return r, nil
		}
	}
	return Nobody, Problem(fmt.Sprintf("%q is no role. Choose mixer, painter or owner.", word))
}

// RoleOf is ParseRole for a word that was kept: one that nobody knows counts as the least role of a person.
func RoleOf(word string) Role {
	r, err := ParseRole(word)
	if err != nil {
		return Mixer
	}
	return r
}

// May reports whether somebody of role r may do what needs at least the role least.
func (r Role) May(least Role) bool { return r >= least }

// Does says in a sentence what a role is for.
func (r Role) Does() string {
	switch r {
	case Mixer:
		return "Pours cups and looks everything up."
	case Painter:
		return "Also logs cards and makes variants."
	case Owner:
		return "Also edits formulas, toners, people and limits."
	}
	return "Says who they are first."
}
