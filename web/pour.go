// The last of the four files of one pour. Its markup is the twin web/page/pour.templ; its values are made in view.go.

package web

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

// batchPage shows one cup, whatever it needs next.
func (s *server) batchPage(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	if s.Bench.Active() == "" && !state.Ended() && !state.Plan.Typed {
		s.Bench.Bring(state)
	}
	view, err := s.pourView(r, state)
	if err != nil {
		return err
	}
	return render(w, r, http.StatusOK, page.PourPage(view))
}

func (s *server) cup(r *http.Request) (pour.State, error) {
	return s.Store.State(r.Context(), chi.URLParam(r, "batch"))
}

// tap books what a person asked for. The answer to a script is the sequence to expect, to a plain form the cup.
func (s *server) tap(w http.ResponseWriter, r *http.Request) error {
	batch := chi.URLParam(r, "batch")
	t, err := s.readTap(r, batch)
	var state pour.State
	if err == nil {
		if explained, err := s.explained(r, batch, t); explained || err != nil {
			return s.afterExplaining(w, r, batch, err)
		}
		state, err = s.Bench.Do(r.Context(), batch, t)
	}
	if err != nil {
		kept, found := s.sentBefore(r, batch, t, err)
		if !found {
			return err
		}
		if state, err = s.cup(r); err != nil {
			return err
		}
		t.Body = kept
	}
	return s.afterTap(w, r, t, state)
}

// afterTap starts the next cup where one was given up to start again, and says where to go.
func (s *server) afterTap(w http.ResponseWriter, r *http.Request, t bench.Tap, state pour.State) error {
	next := "/batch/" + state.Batch
	if c, ok := t.Body.(pour.Corrected); ok && c.Choice == pour.StartAgain {
		again, err := s.startAgain(r, state, t.Command)
		if err != nil {
			return err
		}
		next = "/batch/" + again.Batch
	}
	if wantsJSON(r) {
		writeJSON(w, http.StatusOK, map[string]any{"seq": state.Seq, "go": next})
		return nil
	}
	http.Redirect(w, r, next, http.StatusSeeOther)
	return nil
}

func (s *server) readTap(r *http.Request, batch string) (bench.Tap, error) {
	if err := r.ParseForm(); err != nil {
		return bench.Tap{}, err
	}
	v := visitorOf(r)
	t := bench.Tap{Command: pour.Command{
		ID: tapID(r), Device: v.Device, By: v.Person, At: s.Now(),
		Seen: formInt(r, "seen"), Epoch: formInt(r, "epoch"),
	}}
	t.Serial, _ = strconv.ParseUint(r.PostForm.Get("serial"), 10, 64)
	if text := strings.TrimSpace(r.PostForm.Get("typed")); text != "" {
		m, err := formula.ParseMass(text)
		if err != nil {
			return t, badRequest("%s", err)
		}
		t.Typed = &m
	}
	t.Asked, t.Middle = formInt(r, "asked"), r.PostForm.Get("middle") != ""
	body, err := s.body(r, batch)
	t.Body = body
	return t, err
}

// body reads what kind of event a tap asks for. Choices and plans are worked out here from the cup as it stands;
// the sequence that the screen had seen guards against a cup that has moved on.
func (s *server) body(r *http.Request, batch string) (pour.Body, error) {
	if undo := r.PostForm.Get("undo"); undo != "" {
		return pour.TakenBack{Event: undo}, nil
	}
	switch action := r.PostForm.Get("action"); action {
	case "pour":
		return pour.Poured{Step: formInt(r, "step"), Attempt: formInt(r, "attempt"), Lot: r.PostForm.Get("lot")}, nil
	case "rest":
		return pour.Poured{Step: formInt(r, "step"), Attempt: formInt(r, "attempt"), Rest: true}, nil
	case "tin_empty":
		return pour.Poured{Step: formInt(r, "step"), Attempt: formInt(r, "attempt"), More: true, Lot: r.PostForm.Get("lot")}, nil
	case "take_back":
		return pour.TakenBack{Event: r.PostForm.Get("event")}, nil
	case "stirred":
		return pour.Stirred{}, nil
	case "shaken":
		return pour.Shaken{Key: pour.Key(r.PostForm.Get("key"))}, nil
	case "take_over":
		return pour.TakenOver{Device: visitorOf(r).Device, Name: s.personOrTablet(r)}, nil
	case "rezeroed":
		return pour.Rezeroed{}, nil
	case "found":
		return s.foundBody(r)
	case "lifted":
		return pour.LiftedOut{}, nil
	case "poured_off":
		return pour.PouredOff{}, nil
	case "moved":
		return pour.Moved{}, nil
	case "give_up":
		return pour.Abandoned{Why: strings.TrimSpace(r.PostForm.Get("why"))}, nil
	case "cup", "correct", "wrong", "draw", "tint", "bring_up", "finish":
		state, err := s.Store.State(r.Context(), batch)
		if err != nil {
			return nil, err
		}
		return s.bodyFromCup(r, state, action)
	default:
		return nil, badRequest("Nobody knows what this button does. Reload the page and tap again.")
	}
}

func (s *server) bodyFromCup(r *http.Request, state pour.State, action string) (pour.Body, error) {
	switch action {
	case "cup":
		settings, err := s.Store.Settings(r.Context())
		if err != nil {
			return nil, err
		}
		return pour.CupPlaced{Cup: chosenCup(settings.Cups, r.PostForm.Get("cup"), state.Cup)}, nil
	case "correct":
		return s.correction(r, state, pour.Choice(r.PostForm.Get("choice")))
	case "bring_up":
		return pour.BroughtUp(state), nil
	case "wrong":
		return s.wrongToner(r, state)
	case "draw":
		return drawing(r)
	case "tint":
		return s.tinting(r, state)
	default: // finish
		kept := gram.Mass(0)
		if r.PostForm.Get("kept") != "" {
			m, err := formula.ParseMass(r.PostForm.Get("kept"))
			if err != nil {
				return nil, badRequest("%s", err)
			}
			kept = m
		}
		return pour.Finished{Kept: kept, Note: strings.TrimSpace(r.PostForm.Get("note"))}, nil
	}
}

// correction finds the chosen way among those that the cup has now.
func (s *server) correction(r *http.Request, state pour.State, choice pour.Choice) (pour.Body, error) {
	options, err := s.options(r, state)
	if err != nil {
		return nil, err
	}
	for _, o := range options {
		if o.Choice == choice {
			return o.Corrected(), nil
		}
	}
	return nil, &pour.Refusal{Reason: pour.Stale, Sentence: "That way is no longer open. Look at the cup again."}
}

func (s *server) options(r *http.Request, state pour.State) ([]pour.Option, error) {
	settings, err := s.Store.Settings(r.Context())
	if err != nil {
		return nil, err
	}
	aim, err := s.Store.ColourOf(r.Context(), state)
	if err != nil { // colour data that fail must not stop a cup: it goes on by weight
		s.Log.Error("no colour for the choices", "batch", state.Batch, "cause", err)
		aim = nil
	}
	return pour.Choices(state, shopOf(settings), aim), nil
}

func (s *server) wrongToner(r *http.Request, state pour.State) (pour.Body, error) {
	id, err := strconv.ParseInt(r.PostForm.Get("toner"), 10, 64)
	if err != nil {
		return nil, badRequest("Say which toner it really was.")
	}
	toner, err := s.Store.Toner(r.Context(), id)
	if err != nil {
		return nil, err
	}
	if toner.System != state.Plan.System {
		return nil, badRequest("%s is of another paint system (%s). This cup is lost for %s: start again.", toner.Name, toner.System, state.Plan.System)
	}
	component := pour.ComponentOf(toner, 0)
	if i := state.Index(component.Key); i >= 0 {
		component = state.Components[i]
	}
	return pour.Reattributed{To: component}, nil
}

func drawing(r *http.Request) (pour.Body, error) {
	text := strings.TrimSpace(r.PostForm.Get("grams"))
	if text == "" {
		return pour.Drawn{}, nil
	}
	m, err := formula.ParseMass(text)
	if err != nil {
		return nil, badRequest("%s", err)
	}
	return pour.Drawn{Mass: m}, nil
}

// bring says that this batch's cup is the one on the scale.
func (s *server) bring(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	s.Bench.Bring(state)
	return s.back(w, r, state)
}

// wait stops the acceptance of the open step.
func (s *server) wait(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	s.Bench.Wait(state.Batch)
	return s.back(w, r, state)
}

func (s *server) back(w http.ResponseWriter, r *http.Request, state pour.State) error {
	if wantsJSON(r) {
		writeJSON(w, http.StatusOK, map[string]any{"seq": state.Seq})
		return nil
	}
	http.Redirect(w, r, "/batch/"+state.Batch, http.StatusSeeOther)
	return nil
}

// pretend moves the pretend hand.
func (s *server) pretend(w http.ResponseWriter, r *http.Request) error {
	if s.Hand == nil {
		return notFound("pretend scale")
	}
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	empty := state.Cup.Empty
	if empty == 0 {
		empty = 18 * gram.Gram
	}
	aim := gram.Mass(0)
	if step, ok := state.Open(); ok {
		aim = step.Aim
		if state.Held != nil {
			aim -= *state.Held - state.Last
		}
	}
	if err := s.moveHand(r.PostFormValue("hand"), state, aim, empty); err != nil {
		return err
	}
	return s.back(w, r, state)
}

func (s *server) moveHand(what string, state pour.State, aim, empty gram.Mass) error {
	switch what {
	case "place":
		return s.Hand.Place(empty)
	case "over":
		if err := s.Hand.Place(empty); err != nil {
			return err
		}
		return s.Hand.Pour(state.Contents() - 2*gram.Gram)
	case "pour":
		return s.Hand.Pour(aim)
	case "slip":
		if err := s.Hand.Over(max(aim/8, gram.Gram)); err != nil {
			return err
		}
		return s.Hand.Pour(aim)
	case "drop":
		return s.Hand.Pour(100 * gram.Milligram)
	case "take":
		return s.Hand.Remove(takeOut(state))
	case "lift":
		return s.Hand.Lift()
	case "return":
		return s.Hand.Return()
	case "zero":
		s.Hand.Zero()
	case "unplug":
		s.Hand.Unplug()
	case "plug":
		s.Hand.Plug()
	default:
		return badRequest("The pretend hand cannot do that.")
	}
	return nil
}

// takeOut is how much the pretend hand takes: what is to be poured off or lifted out, or enough for a card.
func takeOut(state pour.State) gram.Mass {
	switch {
	case state.Discard > 0:
		return state.Discard
	case state.Over != nil:
		return state.Over.By
	}
	return 40 * gram.Gram
}
