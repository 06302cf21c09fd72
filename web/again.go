package web

import (
	"errors"
	"net/http"
	"strconv"
	"strings"

	"pourbook/internal/bench"
	"pourbook/internal/formula"
	"pourbook/internal/gram"
	"pourbook/internal/pour"
	"pourbook/internal/store"
)

// sentBefore returns what a refused tap booked when it was first sent. The store knows a tap that is sent again by its
// name and its body; but where the body is worked out from the cup, or from a reading that only this server remembers
// for a while, the same tap has another body by now, or none.
func (s *server) sentBefore(r *http.Request, batch string, t bench.Tap, err error) (pour.Body, bool) {
	if faultOf(err).status >= http.StatusInternalServerError {
		return nil, false
	}
	reused := errors.Is(err, store.ErrIDReused)
	events, err := s.Store.Events(r.Context(), batch)
	if err != nil {
		return nil, false // the refusal is the better answer
	}
	for _, e := range events {
		if e.ID == t.ID && e.Device == t.Device {
			return e.Body, sameWish(r, e.Body, reused)
		}
	}
	return nil, false
}

// sameWish reports whether a form asks for what an event of its name is. With reused, the store has compared the two
// bodies already and found them to differ, which says something only where the body is all the form's own.
func sameWish(r *http.Request, kept pour.Body, reused bool) bool {
	form := r.PostForm.Get
	switch b := kept.(type) {
	case pour.Corrected:
		switch form("action") {
		case "correct":
			return form("choice") == string(b.Choice)
		case "tint":
			return b.Choice == pour.Tint && sameTint(r, b)
		case "bring_up":
			return b.Choice == pour.BringUp
		}
		return false
	case pour.Reattributed:
		return form("action") == "wrong" && form("toner") == strconv.FormatInt(b.To.TonerID, 10)
	}
	if reused || form("typed") != "" {
		return false
	}
	switch b := kept.(type) { // booked with a reading that the tap named
	case pour.Poured:
		wanted := map[string]bool{"pour": !b.More && !b.Rest, "rest": b.Rest, "tin_empty": b.More}
		return wanted[form("action")] && formInt(r, "step") == b.Step && formInt(r, "attempt") == b.Attempt && (b.Rest || form("lot") == b.Lot)
	case pour.CupPlaced:
		return form("action") == "cup"
	case pour.LiftedOut:
		return form("action") == "lifted"
	case pour.PouredOff:
		return form("action") == "poured_off"
	case pour.Moved:
		return form("action") == "moved"
	case pour.Rezeroed:
		return form("action") == "rezeroed"
	case pour.Found: // "the display was zeroed" is one too while something is poured
		return form("action") == "rezeroed" && b.Cause == pour.CauseDisplay || form("action") == "found" && form("cause") == string(b.Cause)
	case pour.Drawn:
		return form("action") == "draw" && form("grams") == ""
	}
	return false
}

// sameTint reports whether the filled lines of a form are the pours of a tint.
func sameTint(r *http.Request, tint pour.Corrected) bool {
	ids, grams := r.PostForm["toner"], r.PostForm["grams"]
	asked := map[pour.Key]gram.Mass{}
	for i := range min(len(ids), len(grams), tintRows) {
		if ids[i] == "" && strings.TrimSpace(grams[i]) == "" {
			continue
		}
		id, err := strconv.ParseInt(ids[i], 10, 64)
		if err != nil {
			return false
		}
		m, err := formula.ParseMass(strings.TrimSpace(grams[i]))
		if err != nil {
			return false
		}
		asked[pour.TonerKey(id)] += m
	}
	for _, step := range tint.Steps {
		asked[step.Key] -= step.Aim
	}
	for _, left := range asked {
		if left != 0 {
			return false
		}
	}
	return true
}
