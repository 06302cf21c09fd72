package people

// Person is somebody of the shop as far as rights go.
type Person struct {
	ID     int64
	Name   string
	Role   Role
	Active bool
	HasPIN bool
}

// MaySignIn reports whether a person can say who they are in a locked shop.
func (p Person) MaySignIn() bool { return p.Active && p.HasPIN }

// Opens reports whether a person holds the key to the shop.
func (p Person) Opens() bool { return p.Role == Owner && p.MaySignIn() }

// Locked reports whether a shop's rules hold: as soon as one owner has a PIN. Before that everybody at the machine may do
// everything, since there is nobody who could let them in.
func Locked(all []Person) bool {
	for _, p := range all {
		if p.Opens() {
			return true
		}
	}
	return false
}

// ErrLastOwner is the refusal of a change after which nobody could open the shop.
const ErrLastOwner Problem = "This is the last owner with a PIN. Give another owner a PIN first, or nobody could change the book any more."

// CheckChange refuses a change that takes the last owner with a PIN from a locked shop. Before and after are everybody.
func CheckChange(before, after []Person) error {
	if Locked(before) && !Locked(after) {
		return ErrLastOwner
	}
	return nil
}
