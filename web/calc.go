package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"

	"github.com/go-chi/chi/v5"

	"pourbook/internal/calc"
)

// calculate answers POST /api/calc/NAME with the same numbers that the screens show, or with a problem (RFC 9457).
func (s *server) calculate(w http.ResponseWriter, r *http.Request) error {
	var out bytes.Buffer
	err := calc.Run(chi.URLParam(r, "name"), r.Body, &out)
	var problem *calc.Problem
	if errors.As(err, &problem) {
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(http.StatusUnprocessableEntity)
		return json.NewEncoder(w).Encode(problem)
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, err = w.Write(out.Bytes())
	return err
}
