package web

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"pourbook/internal/store"
	"pourbook/web/page"
)

const recordsAPage = 40

// records lists every batch, newest first, found by what it was for or what it was.
func (s *server) records(w http.ResponseWriter, r *http.Request) error {
	text := strings.TrimSpace(r.FormValue("q"))
	offset, _ := strconv.Atoi(r.FormValue("from"))
	formulaID, _ := strconv.ParseInt(r.FormValue("formula"), 10, 64)
	batches, err := s.Store.Batches(r.Context(), store.BatchFilter{Text: text, FormulaID: formulaID, Limit: recordsAPage + 1, Offset: max(offset, 0)})
	if err != nil {
		return err
	}
	v := page.Records{Chrome: s.chrome(r, "Records", page.RoomRecords), Text: text}
	if len(batches) > recordsAPage {
		batches = batches[:recordsAPage]
		next := url.Values{"from": {strconv.Itoa(offset + recordsAPage)}}
		if text != "" {
			next.Set("q", text)
		}
		v.Next = "/records?" + next.Encode()
	}
	active := s.Bench.Active()
	for _, b := range batches {
		v.Batches = append(v.Batches, s.batchRow(b, active))
	}
	return render(w, r, http.StatusOK, page.RecordsPage(v))
}
