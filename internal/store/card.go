package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"pourbook/internal/card"
	"pourbook/internal/formula"
)

const cardColumns = `c.id, coalesce(c.batch, ''), c.batch_seq, c.formula_id, coalesce(c.revision_id, 0), c.number, c.sprayed_at, c.person, c.coats, c.steps,
	c.gun, c.pressure, c.distance, c.reduction, c.undercoat, c.cleared, c.dry, c.size, c.notes, c.verdicts, c.readings, c.decision, c.decided_at, coalesce(c.photo, 0), coalesce(c.spectrum, '')`

func scanCard(rows *sql.Rows, c *card.Card) error {
	var steps, verdicts, readings, spectrum string
	var sprayed, decided sql.NullInt64
	err := rows.Scan(&c.ID, &c.Batch, &c.BatchSeq, &c.FormulaID, &c.RevisionID, &c.Number, &sprayed, &c.By, &c.Coats, &steps,
		&c.Gun, &c.Pressure, &c.Distance, &c.Reduction, &c.Undercoat, &c.Cleared, &c.Dry, &c.Size, &c.Notes, &verdicts, &readings, &c.Decision, &decided, &c.Photo, &spectrum)
	if err != nil {
		return err
	}
	c.SprayedAt, c.DecidedAt = timeOf(sprayed), timeOf(decided)
	if err := errors.Join(fromJSON(steps, &c.Steps), fromJSON(verdicts, &c.Verdicts), fromJSON(readings, &c.Readings)); err != nil {
		return err
	}
	if spectrum != "" {
		if err := fromJSON(spectrum, &c.Spectrum); err != nil {
			return err
		}
	}
	tidyCard(c)
	return nil
}

// tidyCard makes an empty list the same as none, as it is read back.
func tidyCard(c *card.Card) {
	if len(c.Steps) == 0 {
		c.Steps = nil
	}
	if len(c.Verdicts) == 0 {
		c.Verdicts = nil
	}
	if len(c.Readings) == 0 {
		c.Readings = nil
	}
}

// SaveCard keeps a new card (ID 0), which gets the next number of its formula's family, or a changed one, which keeps
// formula and number. by is the person who saves; what the card said before stays readable (CardHistory).
func (s *Store) SaveCard(ctx context.Context, c card.Card, by string) (card.Card, error) {
	const doing = "save a card"
	if err := checkCard(c, by); err != nil {
		return card.Card{}, err
	}
	err := s.update(ctx, doing, func(t *tx) error {
		c.SprayedAt, c.DecidedAt = stamp(c.SprayedAt), stamp(c.DecidedAt)
		if c.SprayedAt.IsZero() {
			c.SprayedAt = t.now
		}
		var err error
		if c.ID == 0 {
			c, err = t.insertCard(c, by)
		} else {
			c, err = t.updateCard(c, by)
		}
		if isForeignKey(err) {
			return failed(doing, fmt.Errorf("%w: %w", ErrNotFound, err), "The batch, the revision or the photograph of this card is not in the book. Go back and choose again.")
		}
		if err != nil {
			return err
		}
		body, err := asJSON(c)
		if err != nil {
			return err
		}
		return t.exec(`INSERT INTO card_save (card, number, at, person, body) VALUES (?, (SELECT coalesce(max(number), 0) + 1 FROM card_save WHERE card = ?), ?, ?, ?)`,
			c.ID, c.ID, t.now.UnixMilli(), by, body)
	})
	if err != nil {
		return card.Card{}, err
	}
	tidyCard(&c)
	return c, nil
}

// cardLists returns the lists of a card as columns.
func cardLists(c card.Card) (steps, verdicts, readings string, spectrum sql.NullString, err error) {
	var errs [4]error
	steps, errs[0] = asJSON(c.Steps)
	verdicts, errs[1] = asJSON(c.Verdicts)
	readings, errs[2] = asJSON(c.Readings)
	if c.Spectrum != nil {
		spectrum.Valid = true
		spectrum.String, errs[3] = asJSON(c.Spectrum)
	}
	return steps, verdicts, readings, spectrum, errors.Join(errs[:]...)
}

func (t *tx) insertCard(c card.Card, by string) (card.Card, error) {
	family, err := t.rootOf(c.FormulaID)
	if err != nil {
		return c, err
	}
	steps, verdicts, readings, spectrum, err := cardLists(c)
	if err != nil {
		return c, err
	}
	if err := t.row(`SELECT coalesce(max(number), 0) + 1 FROM card WHERE family = ?`, family).Scan(&c.Number); err != nil {
		return c, err
	}
	c.ID, err = t.insert(`INSERT INTO card (family, number, formula_id, revision_id, batch, batch_seq, sprayed_at, person, coats, steps, gun, pressure, distance, reduction,
			undercoat, cleared, dry, size, notes, verdicts, readings, decision, decided_at, photo, spectrum, updated_at, updated_by)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		family, c.Number, c.FormulaID, number(c.RevisionID), text(c.Batch), c.BatchSeq, c.SprayedAt.UnixMilli(), c.By, c.Coats, steps, c.Gun, c.Pressure, c.Distance, c.Reduction,
		c.Undercoat, c.Cleared, c.Dry, c.Size, c.Notes, verdicts, readings, string(c.Decision), millis(c.DecidedAt), number(c.Photo), spectrum, t.now.UnixMilli(), by)
	return c, err
}

func (t *tx) updateCard(c card.Card, by string) (card.Card, error) {
	var formulaID int64
	err := t.row(`SELECT formula_id, number FROM card WHERE id = ?`, c.ID).Scan(&formulaID, &c.Number)
	if errors.Is(err, sql.ErrNoRows) {
		return c, notFound("save a card", "such card")
	}
	if err != nil {
		return c, err
	}
	c.FormulaID = formulaID
	steps, verdicts, readings, spectrum, err := cardLists(c)
	if err != nil {
		return c, err
	}
	return c, t.change(`UPDATE card SET revision_id = ?, batch = ?, batch_seq = ?, sprayed_at = ?, person = ?, coats = ?, steps = ?, gun = ?, pressure = ?, distance = ?, reduction = ?,
			undercoat = ?, cleared = ?, dry = ?, size = ?, notes = ?, verdicts = ?, readings = ?, decision = ?, decided_at = ?, photo = ?, spectrum = ?, updated_at = ?, updated_by = ? WHERE id = ?`,
		number(c.RevisionID), text(c.Batch), c.BatchSeq, c.SprayedAt.UnixMilli(), c.By, c.Coats, steps, c.Gun, c.Pressure, c.Distance, c.Reduction,
		c.Undercoat, c.Cleared, c.Dry, c.Size, c.Notes, verdicts, readings, string(c.Decision), millis(c.DecidedAt), number(c.Photo), spectrum, t.now.UnixMilli(), by, c.ID)
}

// Card returns one card, ErrNotFound where there is none.
func (s *Store) Card(ctx context.Context, id int64) (card.Card, error) {
	const doing = "read a card"
	all, err := collect(ctx, s.read, `SELECT `+cardColumns+` FROM card c WHERE c.id = ?`, []any{id}, scanCard)
	if err != nil {
		return card.Card{}, explain(doing, err)
	}
	if len(all) == 0 {
		return card.Card{}, notFound(doing, "such card")
	}
	return all[0], nil
}

// Wall returns every card of the whole family of a formula, newest first.
func (s *Store) Wall(ctx context.Context, formulaID int64) ([]card.Card, error) {
	all, err := collect(ctx, s.read, familyOf+` SELECT `+cardColumns+` FROM card c WHERE c.family = (SELECT id FROM root) ORDER BY c.number DESC`, []any{formulaID}, scanCard)
	return all, explain("read the wall of cards", err)
}

// CardsOf returns the cards that were sprayed from a batch, in the order of their numbers.
func (s *Store) CardsOf(ctx context.Context, batch string) ([]card.Card, error) {
	all, err := collect(ctx, s.read, `SELECT `+cardColumns+` FROM card c WHERE c.batch = ? ORDER BY c.number, c.id`, []any{batch}, scanCard)
	return all, explain("read the cards of a batch", err)
}

// Cards returns the newest cards of the book.
func (s *Store) Cards(ctx context.Context, limit, offset int) ([]card.Card, error) {
	limit, offset = paging(limit, offset)
	all, err := collect(ctx, s.read, `SELECT `+cardColumns+` FROM card c ORDER BY c.sprayed_at DESC, c.id DESC LIMIT ? OFFSET ?`, []any{limit, offset}, scanCard)
	return all, explain("list cards", err)
}

// CardSave is a card as it was saved once.
type CardSave struct {
	At   time.Time
	By   string
	Card card.Card
}

// CardHistory returns every state in which a card was saved, oldest first.
func (s *Store) CardHistory(ctx context.Context, id int64) ([]CardSave, error) {
	const doing = "read the history of a card"
	all, err := collect(ctx, s.read, `SELECT at, person, body FROM card_save WHERE card = ? ORDER BY number`, []any{id}, func(rows *sql.Rows, c *CardSave) error {
		var at sql.NullInt64
		var body string
		if err := rows.Scan(&at, &c.By, &body); err != nil {
			return err
		}
		c.At = timeOf(at)
		if err := json.Unmarshal([]byte(body), &c.Card); err != nil {
			return err
		}
		tidyCard(&c.Card)
		return nil
	})
	if err == nil && len(all) == 0 {
		return nil, notFound(doing, "such card")
	}
	return all, explain(doing, err)
}

// PhotoMost is the most bytes that a photograph may have: 8 MB.
const PhotoMost = 8 << 20

// Photo is a photograph of a card.
type Photo struct {
	Mime  string
	Bytes []byte
	At    time.Time
}

// SavePhoto keeps a photograph and returns its number. Its kind is read from its first bytes: JPEG, PNG or WebP.
func (s *Store) SavePhoto(ctx context.Context, data []byte) (int64, error) {
	const doing = "save a photograph"
	switch {
	case len(data) == 0:
		return 0, invalid(doing, "The photograph is empty. Take it again.")
	case len(data) > PhotoMost:
		return 0, invalid(doing, "The photograph has more than 8 MB. Choose a smaller size in the camera.")
	}
	mime := photoKind(data)
	if mime == "" {
		return 0, invalid(doing, "This is no JPEG, PNG or WebP picture. Save it as one of these first.")
	}
	var id int64
	err := s.update(ctx, doing, func(t *tx) error {
		var err error
		id, err = t.insert(`INSERT INTO photo (mime, bytes, at) VALUES (?, ?, ?)`, mime, data, t.now.UnixMilli())
		return err
	})
	return id, err
}

// photoKind tells a picture by its signature (JPEG: ITU-T T.81 B.1.1.3; PNG: ISO/IEC 15948 5.2; WebP: RFC 9649 2.4).
func photoKind(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte("\xff\xd8\xff")):
		return "image/jpeg"
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		return "image/png"
	case len(data) >= 12 && string(data[:4]) == "RIFF" && string(data[8:12]) == "WEBP":
		return "image/webp"
	}
	return ""
}

// Photo returns a photograph, ErrNotFound where there is none.
func (s *Store) Photo(ctx context.Context, id int64) (Photo, error) {
	const doing = "read a photograph"
	var p Photo
	var at sql.NullInt64
	err := s.read.QueryRowContext(ctx, `SELECT mime, bytes, at FROM photo WHERE id = ?`, id).Scan(&p.Mime, &p.Bytes, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return Photo{}, notFound(doing, "such photograph")
	}
	p.At = timeOf(at)
	return p, explain(doing, err)
}

func checkCard(c card.Card, by string) error {
	var ps formula.Problems
	if c.FormulaID == 0 && c.ID == 0 {
		ps = append(ps, formula.Problem{Field: "formula", Detail: "a card hangs on the wall of a formula. Choose one."})
	}
	checkText(&ps, "by", by, longestName)
	var more formula.Problems
	if err := card.Check(c); errors.As(err, &more) {
		ps = append(ps, more...)
	} else if err != nil {
		return err
	}
	return ps.Err()
}
