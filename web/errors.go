package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/a-h/templ"
	"github.com/go-chi/chi/v5/middleware"

	"pourbook/internal/pour"
	"pourbook/internal/store"
	"pourbook/web/page"
)

// handler is a request that may fail. What it returns becomes a status, a page and one log line here.
type handler func(w http.ResponseWriter, r *http.Request) error

// fault is an error with a sentence for the person and a status for the program.
type fault struct {
	status   int
	sentence string
	next     string // what to do now
	goTo     string // where that is done, and the words on the way there; the bench where empty
	label    string
	cause    error
}

func (f *fault) Error() string {
	if f.cause != nil {
		return f.sentence + ": " + f.cause.Error()
	}
	return f.sentence
}

func (f *fault) Unwrap() error { return f.cause }

func badRequest(format string, args ...any) error {
	return &fault{status: http.StatusUnprocessableEntity, sentence: fmt.Sprintf(format, args...), next: "Go back, change it and send it again."}
}

func notFound(what string) error {
	return &fault{status: http.StatusNotFound, sentence: "There is no such " + what + ".", next: "It may have been renamed. Look for it in the book."}
}

// faultOf finds the sentence and the status of any error.
func faultOf(err error) *fault {
	var f *fault
	var refusal *pour.Refusal
	var tooBig *http.MaxBytesError
	var plan *pour.Problem
	var sentence *store.Error
	switch {
	case errors.As(err, &f):
		return f
	case errors.As(err, &refusal):
		return &fault{status: http.StatusConflict, sentence: refusal.Sentence, next: "The cup is shown as it is now.", cause: err}
	case errors.Is(err, store.ErrNotFound):
		return &fault{status: http.StatusNotFound, sentence: "There is nothing here.", next: "It may have been renamed or never saved. Look for it in the book.", cause: err}
	case errors.Is(err, store.ErrIDReused):
		return &fault{status: http.StatusConflict, sentence: "That tap was sent before with other words.", next: "Reload the page and tap again.", cause: err}
	case errors.As(err, &plan):
		return &fault{status: http.StatusUnprocessableEntity, sentence: plan.Detail, next: "Change it and send it again.", cause: err}
	case errors.As(err, &tooBig):
		return &fault{status: http.StatusRequestEntityTooLarge, sentence: "That is more than this page takes.", next: "Send less of it at a time.", cause: err}
	case errors.Is(err, store.ErrInvalid) && store.Sentence(err) != "":
		return &fault{status: http.StatusUnprocessableEntity, sentence: store.Sentence(err), next: "Change it and send it again.", cause: err}
	case errors.As(err, &sentence) && sentence.Sentence != "":
		return &fault{status: http.StatusServiceUnavailable, sentence: sentence.Sentence, next: "What was saved before is still there.", cause: err}
	}
	return &fault{
		status: http.StatusInternalServerError, sentence: "Pourbook could not do that.",
		next: "Nothing that was saved is lost. Reload the page; if it happens again, tell whoever looks after this machine.", cause: err,
	}
}

func (s *server) page(h handler) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		err := h(w, r)
		if err == nil || errors.Is(err, context.Canceled) {
			return
		}
		f := faultOf(err)
		if f.status >= http.StatusInternalServerError {
			s.Log.Error("request failed", "method", r.Method, "path", r.URL.Path, "request", middleware.GetReqID(r.Context()), "cause", err)
		} else {
			s.Log.Info("request refused", "method", r.Method, "path", r.URL.Path, "status", f.status, "why", f.sentence)
		}
		s.answer(w, r, f)
	}
}

// answer says a fault to a person or a script.
func (s *server) answer(w http.ResponseWriter, r *http.Request, f *fault) {
	if wantsJSON(r) {
		writeJSON(w, f.status, map[string]string{"problem": f.sentence, "next": f.next})
		return
	}
	view := page.Fault{Chrome: s.chrome(r, f.sentence, page.Room{}), Sentence: f.sentence, Next: f.next, GoTo: f.goTo, Label: f.label}
	_ = render(w, r, f.status, page.FaultPage(view))
}

func wantsJSON(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/json")
}

// render sends a whole page. The markup is made before the first byte goes out, so that a failure is still a clean page.
func render(w http.ResponseWriter, r *http.Request, status int, c templ.Component) error {
	buffer := templ.GetBuffer()
	defer templ.ReleaseBuffer(buffer)
	if err := c.Render(r.Context(), buffer); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, err := buffer.WriteTo(w)
	return err
}
