// The third of the four files of a pour: the bench (internal/bench/live.go) or a tablet hands a command to Record,
// which validates and appends it in one transaction and returns only once it is kept. The next is web/pour.go,
// which sends the new state to the tablets.

package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
)

type hash = [sha256.Size]byte

// Plan opens a batch. cmd.Body is the pour.Planned; batch and cmd.ID are made by whoever asks.
// The same command again returns the batch as it is by now; another one for the same batch returns ErrIDReused.
func (s *Store) Plan(ctx context.Context, batch string, cmd pour.Command) (pour.State, error) {
	const doing = "plan a batch"
	body, ok := cmd.Body.(pour.Planned)
	if !ok {
		return pour.State{}, invalid(doing, "This is no plan. Plan the batch first.")
	}
	if err := checkIDs(batch, cmd.ID); err != nil {
		return pour.State{}, err
	}
	if err := checkPlan(doing, body); err != nil {
		return pour.State{}, err
	}
	return s.append(ctx, doing, batch, cmd, func(t *tx, c *cup, at time.Time) ([]pour.Event, error) {
		if err := t.savepoint(); err != nil {
			return nil, err
		}
		var err error
		if c.number, err = t.planFrom(doing, batch, body, at); err != nil {
			return nil, err
		}
		return []pour.Event{{ID: cmd.ID, Batch: batch, At: at, By: cmd.By, Device: cmd.Device, Epoch: 1, Body: body}}, nil
	})
}

// Record validates a command against the batch as it stands and appends what it becomes, all in one transaction, and
// returns after the commit with the new state. The same command again (id and body) returns the present state and
// adds nothing; the same id with another body returns ErrIDReused. A command that the rules refuse returns a
// *pour.Refusal and the present state. An unknown batch returns ErrNotFound.
func (s *Store) Record(ctx context.Context, batch string, cmd pour.Command) (pour.State, error) {
	const doing = "record an event"
	if cmd.Body == nil {
		return pour.State{}, invalid(doing, "This tap says nothing. Reload the page and tap again.")
	}
	if err := checkIDs(batch, cmd.ID); err != nil {
		return pour.State{}, err
	}
	return s.append(ctx, doing, batch, cmd, func(_ *tx, c *cup, at time.Time) ([]pour.Event, error) {
		if c.state.Seq == 0 {
			return nil, notFound(doing, "batch "+batch)
		}
		cmd.At = at
		return pour.Accept(c.state, cmd)
	})
}

// append runs become against the committed cup and keeps the events that it returns.
func (s *Store) append(ctx context.Context, doing, batch string, cmd pour.Command, become func(*tx, *cup, time.Time) ([]pour.Event, error)) (pour.State, error) {
	kind, _, body, err := pour.Encode(cmd.Body)
	if err != nil {
		return pour.State{}, failed(doing, fmt.Errorf("%w: %w", ErrInvalid, err), "One of the numbers is not a number. Correct it and try again.")
	}
	asked := hashOf(batch, kind, body)
	var state pour.State
	err = s.updateLightly(ctx, doing, func(t *tx) error {
		c, err := t.cup(s.cups, batch)
		if err != nil {
			return err
		}
		state = c.state
		if earlier, ok := c.find(cmd.ID); ok {
			if earlier == asked {
				return nil
			}
			return reused(doing)
		}
		if cmd.Body.Kind() == pour.KindPlanned && c.state.Seq > 0 {
			return reused(doing)
		}
		at := stamp(cmd.At)
		if at.IsZero() {
			at = t.now
		}
		before := summaryOf(c.state)
		events, err := become(t, &c, at)
		if err != nil {
			return err
		}
		if len(events) > 1 { // either all or none
			if err := t.savepoint(); err != nil {
				return err
			}
		}
		for i, e := range events {
			e.Seq = c.state.Seq + 1
			command := command{id: e.ID}
			if i == 0 {
				command.hash = asked
			}
			if c, err = t.appendEvent(c, e, command); err != nil {
				return err
			}
		}
		if now := summaryOf(c.state); now != before {
			if err := t.summarise(c.number, now); err != nil {
				return err
			}
		}
		t.staged[batch] = c
		state = c.state
		return nil
	})
	var refusal *pour.Refusal
	if err != nil && !errors.As(err, &refusal) && !errors.Is(err, ErrIDReused) {
		return pour.State{}, err
	}
	return state, err
}

// cup returns a batch as it stands in this transaction, empty where there is none.
func (t *tx) cup(committed *cups, batch string) (cup, error) {
	if c, ok := t.staged[batch]; ok {
		return c, nil
	}
	if c, ok := committed.get(batch); ok {
		return c, nil
	}
	return fold(context.Background(), t.conn, batch)
}

const eventColumns = `e.id, b.id, e.seq, e.kind, e.version, e.at, e.person, e.device, e.epoch, e.body, e.command, b.number`

const eventsOf = `SELECT ` + eventColumns + ` FROM event e JOIN batch b ON b.number = e.batch WHERE b.id = ? ORDER BY e.seq`

type eventRow struct {
	event   pour.Event
	command []byte
	number  int64 // of the batch
}

// fold reads a batch from its events, empty where there is none.
func fold(ctx context.Context, q querier, batch string) (cup, error) {
	rows, err := collect(ctx, q, eventsOf, []any{batch}, scanEvent)
	if err != nil {
		return cup{}, err
	}
	var c cup
	events := make([]pour.Event, 0, len(rows))
	for _, r := range rows {
		k := command{id: r.event.ID}
		copy(k.hash[:], r.command)
		c.known, c.number = append(c.known, k), r.number
		events = append(events, r.event)
	}
	if c.state, err = pour.Fold(events); err != nil {
		return cup{}, fmt.Errorf("fold batch %s: %w", batch, err)
	}
	return c, nil
}

func scanEvent(r *sql.Rows, to *eventRow) error {
	e := &to.event
	var kind pour.Kind
	var version int
	var at int64
	var body []byte
	if err := r.Scan(&e.ID, &e.Batch, &e.Seq, &kind, &version, &at, &e.By, &e.Device, &e.Epoch, &body, &to.command, &to.number); err != nil {
		return err
	}
	e.At = time.UnixMilli(at).UTC()
	var err error
	e.Body, err = pour.Decode(kind, version, body)
	return err
}

// appendEvent writes one event and returns the cup after it. The state is folded from what was written, not from what was meant,
// so that the cup in memory is the one that a restart reads.
func (t *tx) appendEvent(c cup, e pour.Event, k command) (cup, error) {
	kind, version, body, err := pour.Encode(e.Body)
	if err != nil {
		return cup{}, err
	}
	if e.Body, err = pour.Decode(kind, version, body); err != nil {
		return cup{}, err
	}
	if c.state, err = c.state.Apply(e); err != nil {
		return cup{}, err
	}
	c.known = append(c.known, k)
	var step, attempt sql.NullInt64
	if p, ok := e.Body.(pour.Poured); ok {
		step, attempt = sql.NullInt64{Int64: int64(p.Step), Valid: true}, sql.NullInt64{Int64: int64(p.Attempt), Valid: true}
	}
	var asked []byte
	if k.hash != (hash{}) {
		asked = k.hash[:]
	}
	err = t.exec(`INSERT INTO event (id, batch, seq, kind, version, step, attempt, at, person, device, epoch, body, command)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		e.ID, c.number, e.Seq, string(kind), version, step, attempt, e.At.UnixMilli(), e.By, e.Device, e.Epoch, string(body), asked)
	switch {
	case isUnique(err, "event.id"):
		return cup{}, reused("record an event")
	case isUnique(err, "event.step"):
		return cup{}, &pour.Refusal{Reason: pour.Stale, Sentence: "This pour is booked already."}
	}
	return c, err
}

// planFrom makes the row of a batch that its events then keep up to date.
func (t *tx) planFrom(doing, batch string, p pour.Planned, at time.Time) (int64, error) {
	if p.RevisionID != 0 {
		var number int
		err := t.row(`SELECT number FROM revision WHERE id = ? AND formula_id = ?`, p.RevisionID, p.FormulaID).Scan(&number)
		if errors.Is(err, sql.ErrNoRows) {
			return 0, notFound(doing, "such revision of this formula")
		}
		if err != nil {
			return 0, err
		}
	}
	if p.FormulaID != 0 {
		err := t.change(`UPDATE formula SET poured_at = max(coalesce(poured_at, 0), ?) WHERE id = ?`, at.UnixMilli(), p.FormulaID)
		if errors.Is(err, ErrNotFound) {
			return 0, notFound(doing, "such formula")
		}
		if err != nil {
			return 0, err
		}
	}
	return t.insert(`INSERT INTO batch (id, created_at, started_by, title, job, words, formula_id, revision_id, revision, system, coat, asked, pot_life,
			decided, need, pouring, total, colour, contents, left_over, drawn, tipped, holder, outcome, kept, updated_at)
		VALUES (?, ?, '', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 0, '', '', 0, 0, 0, 0, 0, 0, '', '', 0, ?)`,
		batch, at.UnixMilli(), p.Title, p.Job, formula.Fold(p.Title+" "+p.Job), number(p.FormulaID), number(p.RevisionID), p.Revision, string(p.System), string(p.Coat), p.Asked,
		p.PotLife.Milliseconds(), t.now.UnixMilli())
}

// summary is what the row of a batch repeats of its events.
type summary struct {
	startedBy, need, pouring, holder, outcome          string
	decided                                            int
	total, colour, contents, left, drawn, tipped, kept gram.Mass
	activated, ended                                   sql.NullInt64
}

func summaryOf(s pour.State) summary {
	if s.Seq == 0 {
		return summary{}
	}
	row := summary{
		startedBy: s.StartedBy, need: string(s.Need()), holder: s.Name, decided: s.Decided, total: s.Total, colour: s.Colour(), contents: s.Contents(),
		left: s.Left, drawn: s.Drawn, tipped: s.Tipped, activated: millis(s.ActivatedAt), ended: millis(s.EndedAt),
	}
	if step, ok := s.Open(); ok {
		row.pouring = s.Component(step.Key).Name
	}
	switch {
	case s.Finish != nil:
		row.outcome, row.kept = "finished", s.Finish.Kept
	case s.GivenUp != nil:
		row.outcome = "abandoned"
	}
	return row
}

func (t *tx) summarise(number int64, s summary) error {
	return t.change(`UPDATE batch SET started_by = ?, decided = ?, need = ?, pouring = ?, total = ?, colour = ?, contents = ?, left_over = ?, drawn = ?, tipped = ?,
			holder = ?, activated_at = ?, ended_at = ?, outcome = ?, kept = ?, updated_at = ? WHERE number = ?`,
		s.startedBy, s.decided, s.need, s.pouring, int64(s.total), int64(s.colour), int64(s.contents), int64(s.left), int64(s.drawn), int64(s.tipped),
		s.holder, s.activated, s.ended, s.outcome, int64(s.kept), t.now.UnixMilli(), number)
}

// State returns a batch as it stands, ErrNotFound where there is none.
func (s *Store) State(ctx context.Context, batch string) (pour.State, error) {
	const doing = "read a batch"
	if c, ok := s.cups.get(batch); ok {
		return c.state, nil
	}
	c, err := fold(ctx, s.read, batch)
	if err != nil {
		return pour.State{}, explain(doing, err)
	}
	if c.state.Seq == 0 {
		return pour.State{}, notFound(doing, "batch "+batch)
	}
	return c.state, nil
}

// Events returns everything that happened to a batch, in order, ErrNotFound where there is no such batch.
func (s *Store) Events(ctx context.Context, batch string) ([]pour.Event, error) {
	const doing = "read the events of a batch"
	rows, err := collect(ctx, s.read, eventsOf, []any{batch}, scanEvent)
	if err != nil {
		return nil, explain(doing, err)
	}
	if len(rows) == 0 {
		return nil, notFound(doing, "batch "+batch)
	}
	events := make([]pour.Event, len(rows))
	for i, r := range rows {
		events[i] = r.event
	}
	return events, nil
}

// BatchFilter says which batches to list. The zero value lists the newest 50 of all.
type BatchFilter struct {
	Open      bool // only those still being mixed or sprayed
	Ended     bool // only those that are closed
	FormulaID int64
	Text      string // beginnings of words of title or job, or the beginning of the id
	From, To  time.Time
	Limit     int // 0: 50
	Offset    int
}

// Batch is one row of a list of batches.
type Batch struct {
	ID, Title, Job        string
	FormulaID, RevisionID int64
	Revision              int
	System                formula.System
	Coat                  formula.Coat
	Swatch                string
	Asked                 string
	Decided               int // pour.State.Decided
	Need                  pour.Need
	Pouring               string // name of the toner that is next
	Total                 gram.Mass
	Colour                gram.Mass // in the vessel now
	Contents              gram.Mass
	Left, Drawn, Tipped   gram.Mass
	StartedBy, Holder     string
	StartedAt             time.Time
	ActivatedAt           time.Time
	PotLife               time.Duration
	EndedAt               time.Time
	Outcome               string // "", "finished" or "abandoned"
	Kept                  gram.Mass
	UpdatedAt             time.Time
}

// Batches lists batches, newest first.
func (s *Store) Batches(ctx context.Context, f BatchFilter) ([]Batch, error) {
	where, args := []string{"1"}, []any(nil)
	also := func(condition string, values ...any) {
		where, args = append(where, condition), append(args, values...)
	}
	if f.Open {
		also("b.ended_at IS NULL")
	}
	if f.Ended {
		also("b.ended_at IS NOT NULL")
	}
	if f.FormulaID != 0 {
		also("b.formula_id = ?", f.FormulaID)
	}
	terms, err := searchTerms(f.Text)
	if err != nil {
		return nil, err
	}
	for _, term := range terms {
		also("(instr(' ' || b.words, ' ' || ?) OR instr(lower(b.id), ?) = 1)", term, term)
	}
	if !f.From.IsZero() {
		also("b.created_at >= ?", f.From.UnixMilli())
	}
	if !f.To.IsZero() {
		also("b.created_at < ?", f.To.UnixMilli())
	}
	limit, offset := paging(f.Limit, f.Offset)
	query := `SELECT b.id, b.title, b.job, coalesce(b.formula_id, 0), coalesce(b.revision_id, 0), b.revision, b.system, b.coat, coalesce(f.swatch, ''),
			b.asked, b.decided, b.need, b.pouring, b.total, b.colour, b.contents, b.left_over, b.drawn, b.tipped, b.started_by, b.holder,
			b.created_at, b.activated_at, b.pot_life, b.ended_at, b.outcome, b.kept, b.updated_at
		FROM batch b LEFT JOIN formula f ON f.id = b.formula_id
		WHERE ` + strings.Join(where, " AND ") + ` ORDER BY b.created_at DESC, b.id DESC LIMIT ? OFFSET ?`
	all, err := collect(ctx, s.read, query, append(args, limit, offset), func(r *sql.Rows, b *Batch) error {
		var started, activated, ended, updated sql.NullInt64
		var potLife int64
		err := r.Scan(&b.ID, &b.Title, &b.Job, &b.FormulaID, &b.RevisionID, &b.Revision, &b.System, &b.Coat, &b.Swatch,
			&b.Asked, &b.Decided, &b.Need, &b.Pouring, &b.Total, &b.Colour, &b.Contents, &b.Left, &b.Drawn, &b.Tipped, &b.StartedBy, &b.Holder,
			&started, &activated, &potLife, &ended, &b.Outcome, &b.Kept, &updated)
		b.StartedAt, b.ActivatedAt, b.EndedAt, b.UpdatedAt = timeOf(started), timeOf(activated), timeOf(ended), timeOf(updated)
		b.PotLife = time.Duration(potLife) * time.Millisecond
		return err
	})
	return all, explain("list batches", err)
}

func hashOf(batch string, kind pour.Kind, body []byte) hash {
	h := sha256.New()
	_, _ = fmt.Fprintf(h, "%s\x00%s\x00%s", batch, kind, body) // a hash never fails to write
	return hash(h.Sum(nil))
}

func reused(doing string) error {
	return failed(doing, ErrIDReused, "This tap carries the name of another one. It was not booked. Reload the page and tap again.")
}

// longestID bounds the names that originators make; a UUID has 36 letters.
const longestID = 100

func checkIDs(ids ...string) error {
	for _, id := range ids {
		bad := id == "" || len(id) > longestID || !utf8.ValidString(id)
		for _, r := range id {
			bad = bad || unicode.IsControl(r)
		}
		if bad {
			return &pour.Refusal{Reason: pour.Impossible, Sentence: "This tap came without a proper name of its own. Reload the page and tap again."}
		}
	}
	return nil
}

// checkPlan refuses a plan that no cup could follow, since once kept it can never be changed.
func checkPlan(doing string, p pour.Planned) error {
	if len(p.Components) == 0 || len(p.Steps) == 0 {
		return invalid(doing, "This plan pours nothing. Choose a formula with at least one toner.")
	}
	if p.Total <= 0 || p.Total > gram.MaxMass {
		return invalid(doing, "A batch weighs more than 0 g and at most 1000 kg. Correct the amount.")
	}
	known := map[pour.Key]bool{}
	for _, c := range p.Components {
		if c.Key == "" || known[c.Key] {
			return invalid(doing, "%s is in this plan twice. Plan the batch again.", c.Name)
		}
		known[c.Key] = true
	}
	numbers := map[int]bool{}
	for _, step := range p.Steps {
		switch {
		case !known[step.Key]:
			return invalid(doing, "The plan pours something that is not in the formula. Plan the batch again.")
		case step.Aim <= 0 || step.Aim > gram.MaxMass || step.Tolerance < 0:
			return invalid(doing, "The plan pours an impossible weight. Plan the batch again.")
		case step.No <= 0 || numbers[step.No]:
			return invalid(doing, "The steps of this plan are not numbered one by one. Plan the batch again.")
		}
		numbers[step.No] = true
	}
	return nil
}
