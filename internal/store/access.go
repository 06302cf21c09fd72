package store

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"pourbook/internal/formula"
	"pourbook/internal/people"
)

// Device is a tablet, phone or computer that has joined the shop.
type Device struct {
	ID        string
	Name      string
	KeyHash   [32]byte // SHA-256 of the key that only the device has
	JoinedAt  time.Time
	JoinedBy  string
	SeenAt    time.Time
	Dismissed bool
	PersonID  int64 // who works at it now, 0 where nobody does
}

// Session says that a person gave their PIN at a device.
type Session struct {
	Device   string
	PersonID int64
	OpenedAt time.Time
	SeenAt   time.Time
}

// Access is everything that decides who may come in, as it stands. It is small: a shop has a handful of each.
type Access struct {
	People   []people.Person
	Devices  []Device
	Sessions []Session
}

// Access returns who may come in.
func (s *Store) Access(ctx context.Context) (Access, error) {
	const doing = "read who may come in"
	var a Access
	var err error
	if a.People, err = persons(ctx, s.read); err != nil {
		return Access{}, explain(doing, err)
	}
	a.Devices, err = collect(ctx, s.read, `SELECT id, name, key_hash, joined_at, joined_by, seen_at, dismissed_at IS NOT NULL, coalesce(person_id, 0)
		FROM device ORDER BY dismissed_at IS NOT NULL, joined_at DESC, id`, nil, func(r *sql.Rows, d *Device) error {
		var key []byte
		var joined, seen int64
		if err := r.Scan(&d.ID, &d.Name, &key, &joined, &d.JoinedBy, &seen, &d.Dismissed, &d.PersonID); err != nil {
			return err
		}
		copy(d.KeyHash[:], key)
		d.JoinedAt, d.SeenAt = time.UnixMilli(joined).UTC(), time.UnixMilli(seen).UTC()
		return nil
	})
	if err != nil {
		return Access{}, explain(doing, err)
	}
	a.Sessions, err = collect(ctx, s.read, `SELECT device_id, person_id, opened_at, seen_at FROM session ORDER BY device_id, person_id`, nil, func(r *sql.Rows, to *Session) error {
		var opened, seen int64
		if err := r.Scan(&to.Device, &to.PersonID, &opened, &seen); err != nil {
			return err
		}
		to.OpenedAt, to.SeenAt = time.UnixMilli(opened).UTC(), time.UnixMilli(seen).UTC()
		return nil
	})
	return a, explain(doing, err)
}

func persons(ctx context.Context, q querier) ([]people.Person, error) {
	return collect(ctx, q, `SELECT p.id, p.name, p.role, p.active, pin.person_id IS NOT NULL FROM person p LEFT JOIN pin ON pin.person_id = p.id
		ORDER BY p.active DESC, p.name_key, p.id`, nil, func(r *sql.Rows, p *people.Person) error {
		var role string
		err := r.Scan(&p.ID, &p.Name, &role, &p.Active, &p.HasPIN)
		p.Role = people.RoleOf(role)
		return err
	})
}

// PIN returns the kept hash of a person's PIN, ErrNotFound where they have none.
func (s *Store) PIN(ctx context.Context, personID int64) (hash string, err error) {
	const doing = "read a PIN"
	err = s.read.QueryRowContext(ctx, `SELECT hash FROM pin WHERE person_id = ?`, personID).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return "", notFound(doing, "PIN of this person")
	}
	return hash, explain(doing, err)
}

// SetPIN keeps the hash of a person's new PIN and ends what they had opened with the old one.
func (s *Store) SetPIN(ctx context.Context, personID int64, hash string) error {
	const doing = "keep a PIN"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.exec(`INSERT INTO pin (person_id, hash, set_at) VALUES (?, ?, ?)
			ON CONFLICT (person_id) DO UPDATE SET hash = excluded.hash, set_at = excluded.set_at`, personID, hash, t.now.UnixMilli())
		if isForeignKey(err) {
			return notFound(doing, "such person")
		}
		if err != nil {
			return err
		}
		return t.signOutEverywhere(personID)
	})
}

func (t *tx) signOutEverywhere(personID int64) error {
	if err := t.exec(`DELETE FROM session WHERE person_id = ?`, personID); err != nil {
		return err
	}
	return t.exec(`UPDATE device SET person_id = NULL WHERE person_id = ?`, personID)
}

// keepsAnOwner undoes a change of people after which nobody could open a locked shop.
func (t *tx) keepsAnOwner(change func() error) error {
	before, err := persons(context.Background(), t.conn)
	if err != nil {
		return err
	}
	if err := change(); err != nil {
		return err
	}
	after, err := persons(context.Background(), t.conn)
	if err != nil {
		return err
	}
	if people.CheckChange(before, after) != nil {
		return formula.Problems{{Field: "role", Detail: string(people.ErrLastOwner)}}
	}
	return nil
}

// AddDevice keeps a device that may come in.
func (s *Store) AddDevice(ctx context.Context, d Device) error {
	return s.update(ctx, "let a tablet in", func(t *tx) error { return t.addDevice(d) })
}

func (t *tx) addDevice(d Device) error {
	d.Name = tidy(d.Name)
	if d.Name == "" {
		return problem("name", "a tablet needs a name. Enter one.")
	}
	var ps formula.Problems
	checkText(&ps, "name", d.Name, longestName)
	if err := ps.Err(); err != nil {
		return err
	}
	return t.exec(`INSERT INTO device (id, name, key_hash, joined_at, joined_by, seen_at) VALUES (?, ?, ?, ?, ?, ?)`,
		d.ID, d.Name, d.KeyHash[:], t.now.UnixMilli(), d.JoinedBy, t.now.UnixMilli())
}

// MakeJoinCode keeps the hash of a code that lets one tablet in until a time. A newer code of the same person replaces
// the one before, so that what stood on a screen earlier is worth nothing.
func (s *Store) MakeJoinCode(ctx context.Context, hash [32]byte, by string, until time.Time) error {
	return s.update(ctx, "make a join code", func(t *tx) error {
		if err := t.exec(`DELETE FROM join_code WHERE made_by = ? OR until_at < ?`, by, t.now.UnixMilli()); err != nil {
			return err
		}
		return t.exec(`INSERT INTO join_code (code_hash, made_by, until_at) VALUES (?, ?, ?)`, hash[:], by, until.UnixMilli())
	})
}

// Join spends a code and lets the device in that brought it, both or neither. ErrNotFound where the code was never
// made, was used or has run out.
func (s *Store) Join(ctx context.Context, hash [32]byte, d Device) error {
	const doing = "let a tablet join"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.row(`SELECT made_by FROM join_code WHERE code_hash = ? AND until_at > ?`, hash[:], t.now.UnixMilli()).Scan(&d.JoinedBy)
		if errors.Is(err, sql.ErrNoRows) {
			return failed(doing, ErrNotFound, "That code has been used or has run out. Ask an owner for a new one.")
		}
		if err != nil {
			return err
		}
		if err := t.change(`DELETE FROM join_code WHERE code_hash = ?`, hash[:]); err != nil {
			return err
		}
		return t.addDevice(d)
	})
}

// Dismiss sends a device away: its key opens nothing any more and whoever was signed in at it is not.
func (s *Store) Dismiss(ctx context.Context, deviceID string) error {
	const doing = "dismiss a tablet"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.change(`UPDATE device SET dismissed_at = coalesce(dismissed_at, ?), person_id = NULL WHERE id = ?`, t.now.UnixMilli(), deviceID)
		if errors.Is(err, ErrNotFound) {
			return notFound(doing, "such tablet")
		}
		if err != nil {
			return err
		}
		return t.exec(`DELETE FROM session WHERE device_id = ?`, deviceID)
	})
}

// SignIn opens a person's session at a device, or goes on with it, and makes them the one who works there.
func (s *Store) SignIn(ctx context.Context, deviceID string, personID int64) error {
	const doing = "sign in"
	return s.update(ctx, doing, func(t *tx) error {
		err := t.change(`UPDATE device SET person_id = ?, seen_at = ? WHERE id = ? AND dismissed_at IS NULL
			AND ? IN (SELECT p.id FROM person p JOIN pin ON pin.person_id = p.id WHERE p.active)`, personID, t.now.UnixMilli(), deviceID, personID)
		if errors.Is(err, ErrNotFound) {
			return notFound(doing, "such person or tablet")
		}
		if err != nil {
			return err
		}
		return t.exec(`INSERT INTO session (device_id, person_id, opened_at, seen_at) VALUES (?, ?, ?, ?)
			ON CONFLICT (device_id, person_id) DO UPDATE SET seen_at = excluded.seen_at`, deviceID, personID, t.now.UnixMilli(), t.now.UnixMilli())
	})
}

// SignOut ends a person's session at a device.
func (s *Store) SignOut(ctx context.Context, deviceID string, personID int64) error {
	return s.update(ctx, "sign out", func(t *tx) error {
		if err := t.exec(`DELETE FROM session WHERE device_id = ? AND person_id = ?`, deviceID, personID); err != nil {
			return err
		}
		return t.exec(`UPDATE device SET person_id = NULL WHERE id = ? AND person_id = ?`, deviceID, personID)
	})
}

// Seen notes that a person was at work at a device.
func (s *Store) Seen(ctx context.Context, deviceID string, personID int64) error {
	return s.update(ctx, "note who is at work", func(t *tx) error {
		if err := t.exec(`UPDATE device SET seen_at = ? WHERE id = ?`, t.now.UnixMilli(), deviceID); err != nil {
			return err
		}
		return t.exec(`UPDATE session SET seen_at = ? WHERE device_id = ? AND person_id = ?`, t.now.UnixMilli(), deviceID, personID)
	})
}

// Trying is something secret that is about to be tried: whose, and how often it may be.
type Trying struct {
	Subject string
	Limit   people.Limit
}

// forgetTries is after how long a count of tries is let go.
const forgetTries = 24 * time.Hour

// Charge counts a try of every subject, or returns how long it has to wait and counts nothing.
func (s *Store) Charge(ctx context.Context, all []Trying) (wait time.Duration, err error) {
	err = s.update(ctx, "count a try", func(t *tx) error {
		wait = 0
		if err := t.exec(`DELETE FROM tries WHERE tried_at < ? AND until_at < ?`, t.now.Add(-forgetTries).UnixMilli(), t.now.UnixMilli()); err != nil {
			return err
		}
		tries := make([]people.Tries, len(all))
		for i, a := range all {
			var until int64
			err := t.row(`SELECT failed, until_at FROM tries WHERE subject = ?`, a.Subject).Scan(&tries[i].Failed, &until)
			if err != nil && !errors.Is(err, sql.ErrNoRows) {
				return err
			}
			if until != 0 {
				tries[i].Until = time.UnixMilli(until)
			}
			wait = max(wait, a.Limit.Wait(tries[i], t.now))
		}
		if wait > 0 {
			return nil
		}
		for i, a := range all {
			next := a.Limit.Charge(tries[i], t.now)
			until := int64(0)
			if !next.Until.IsZero() {
				until = next.Until.UnixMilli()
			}
			err := t.exec(`INSERT INTO tries (subject, failed, until_at, tried_at) VALUES (?, ?, ?, ?)
				ON CONFLICT (subject) DO UPDATE SET failed = excluded.failed, until_at = excluded.until_at, tried_at = excluded.tried_at`,
				a.Subject, next.Failed, until, t.now.UnixMilli())
			if err != nil {
				return err
			}
		}
		return nil
	})
	return wait, err
}

// Forgive lets the counts of subjects go: the try was right.
func (s *Store) Forgive(ctx context.Context, all []Trying) error {
	return s.update(ctx, "let tries go", func(t *tx) error {
		for _, a := range all {
			if err := t.exec(`DELETE FROM tries WHERE subject = ?`, a.Subject); err != nil {
				return err
			}
		}
		return nil
	})
}
