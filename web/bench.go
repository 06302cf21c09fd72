package web

import (
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// benchHome shows what is being mixed, what is alive in which pot, and what was mixed last.
func (s *server) benchHome(w http.ResponseWriter, r *http.Request) error {
	open, err := s.Store.Batches(r.Context(), store.BatchFilter{Open: true, Limit: 24})
	if err != nil {
		return err
	}
	ended, err := s.Store.Batches(r.Context(), store.BatchFilter{Ended: true, Limit: 6})
	if err != nil {
		return err
	}
	view := page.BenchHome{Chrome: s.chrome(r, "Bench", page.RoomBench)}
	active := s.Bench.Active()
	for _, b := range open {
		view.Open = append(view.Open, s.batchRow(b, active))
	}
	for _, b := range ended {
		view.Ended = append(view.Ended, s.batchRow(b, active))
	}
	if len(open) == 0 && len(ended) == 0 {
		hits, err := s.Store.Search(r.Context(), store.Query{Limit: 1})
		if err != nil {
			return err
		}
		view.EmptyBook = hits.Total == 0
	}
	return render(w, r, http.StatusOK, page.BenchHomePage(view))
}

func (s *server) batchRow(b store.Batch, active string) page.BatchRow {
	here := s.Now().Location()
	row := page.BatchRow{
		Href: "/batch/" + b.ID, Title: b.Title, Job: b.Job, Asked: b.Asked, Swatch: b.Swatch,
		By: b.StartedBy, When: dayAndTime(b.StartedAt.In(here), s.Now()), OnScale: b.ID == active,
	}
	row.State = batchState(b)
	if !b.ActivatedAt.IsZero() && b.PotLife > 0 && b.EndedAt.IsZero() {
		ends := b.ActivatedAt.Add(b.PotLife)
		row.PotLifeEnds = ends.Unix()
		row.PotLife = "Spray until " + ends.In(here).Format("15:04")
	}
	return row
}

func batchState(b store.Batch) string {
	switch {
	case b.Outcome == "abandoned":
		return "given up"
	case b.Outcome == "finished" && b.Kept > 0:
		return "finished, " + b.Kept.Show(100) + " g kept"
	case b.Outcome == "finished":
		return "finished"
	}
	switch b.Need {
	case pour.NeedCup:
		return "cup not on yet"
	case pour.NeedPour:
		return "next: " + b.Pouring
	case pour.NeedChoice:
		return "waits for a decision"
	case pour.NeedStir:
		return "to be stirred"
	case pour.NeedNext:
		if !b.ActivatedAt.IsZero() {
			return "ready to spray"
		}
		return "full and stirred"
	}
	return "in work"
}

func dayAndTime(t, now time.Time) string {
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return "today " + t.Format("15:04")
	}
	return t.Format("2 Jan 2006")
}

// backTo returns the local page to return to, "/" where none or another machine is named.
func backTo(r *http.Request) string {
	back := r.FormValue("back")
	if !strings.HasPrefix(back, "/") || strings.HasPrefix(back, "//") || strings.ContainsAny(back, "\\\r\n") {
		return "/"
	}
	return back
}

// whoSaveOpen remembers at this tablet who works at it, and in the shop a name that is new. It is for a shop that is not
// locked: everybody is taken at their word.
func (s *server) whoSaveOpen(w http.ResponseWriter, r *http.Request) error {
	name := strings.Join(strings.Fields(r.PostFormValue("name")), " ")
	if name == "" {
		name = strings.Join(strings.Fields(r.PostFormValue("new")), " ")
	}
	if problem := nameProblem(name); problem != "" {
		view, err := s.whoView(r)
		if err != nil {
			return err
		}
		view.New, view.Problem = r.PostFormValue("new"), problem
		return render(w, r, http.StatusUnprocessableEntity, page.WhoPage(view))
	}
	name, err := s.knownPerson(r.Context(), name)
	if err != nil {
		return err
	}
	if err := s.handOver(r.Context(), visitorOf(r).Device, name); err != nil {
		return err
	}
	setCookie(w, r, cookieWho, name)
	http.Redirect(w, r, backTo(r), http.StatusSeeOther)
	return nil
}

// knownPerson returns the name as the shop writes it, and adds somebody who is new.
func (s *server) knownPerson(ctx context.Context, name string) (string, error) {
	people, err := s.Store.People(ctx)
	if err != nil {
		return "", err
	}
	for _, p := range people {
		if strings.EqualFold(p.Name, name) {
			return p.Name, nil
		}
	}
	p, err := s.Store.SavePerson(ctx, store.Person{Name: name, Active: true})
	s.gate.forget()
	return p.Name, err
}

func nameProblem(name string) string {
	switch n := len([]rune(name)); {
	case n == 0:
		return "Type a name, or tap one."
	case n > 60:
		return fmt.Sprintf("That name has %d letters. Use at most 60.", n)
	}
	return ""
}

func (s *server) personOrTablet(r *http.Request) string {
	if p := visitorOf(r).Person; p != "" {
		return p
	}
	return "Another tablet"
}
