package store

import (
	"context"
	"database/sql"
	"errors"

	"pourbook/internal/formula"
)

// Person is somebody whose name stands beside what was done.
type Person struct {
	ID     int64
	Name   string
	Role   string // "mixer", "painter", "owner"; "" is kept as "mixer"
	Active bool
}

// SavePerson keeps a new person (ID 0) or a changed one. A name is there once; case and spacing do not count.
func (s *Store) SavePerson(ctx context.Context, p Person) (Person, error) {
	const doing = "save a person"
	p.Name, p.Role = tidy(p.Name), tidy(p.Role)
	if p.Role == "" {
		p.Role = "mixer"
	}
	var ps formula.Problems
	if p.Name == "" {
		ps = append(ps, formula.Problem{Field: "name", Detail: "a person needs a name. Enter one."})
	}
	checkText(&ps, "name", p.Name, longestName)
	checkText(&ps, "role", p.Role, longestName)
	if err := ps.Err(); err != nil {
		return Person{}, err
	}
	err := s.update(ctx, doing, func(t *tx) error {
		var err error
		if p.ID == 0 {
			p.ID, err = t.insert(`INSERT INTO person (name, name_key, role, active) VALUES (?, ?, ?, ?)`, p.Name, nameKey(p.Name), p.Role, p.Active)
		} else {
			err = t.keepsAnOwner(func() error {
				return t.change(`UPDATE person SET name = ?, name_key = ?, role = ?, active = ? WHERE id = ?`, p.Name, nameKey(p.Name), p.Role, p.Active, p.ID)
			})
			if err == nil && !p.Active {
				err = t.signOutEverywhere(p.ID)
			}
		}
		switch {
		case isUnique(err, "person.name_key"):
			return problem("name", "%s is on the list already. Choose another name.", p.Name)
		case errors.Is(err, ErrNotFound):
			return notFound(doing, "such person")
		}
		return err
	})
	if err != nil {
		return Person{}, err
	}
	return p, nil
}

// Person returns one person, ErrNotFound where there is none.
func (s *Store) Person(ctx context.Context, id int64) (Person, error) {
	const doing = "read a person"
	var p Person
	err := s.read.QueryRowContext(ctx, `SELECT id, name, role, active FROM person WHERE id = ?`, id).Scan(&p.ID, &p.Name, &p.Role, &p.Active)
	if errors.Is(err, sql.ErrNoRows) {
		return Person{}, notFound(doing, "such person")
	}
	return p, explain(doing, err)
}

// People lists everybody by name, those who are active first.
func (s *Store) People(ctx context.Context) ([]Person, error) {
	all, err := collect(ctx, s.read, `SELECT id, name, role, active FROM person ORDER BY active DESC, name_key, id`, nil, func(rows *sql.Rows, p *Person) error {
		return rows.Scan(&p.ID, &p.Name, &p.Role, &p.Active)
	})
	return all, explain("list people", err)
}
