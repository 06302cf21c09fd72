package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"pourbook/internal/bench"
	"pourbook/internal/pour"
	"pourbook/web/page"
)

// The stream says something at least this often, so that a tablet notices silence.
const heartbeat = 700 * time.Millisecond

// writeWithin is how long one message may take to leave; a tablet that takes longer is dropped and comes back.
const writeWithin = 5 * time.Second

// stream sends one cup to one screen, for as long as the screen looks: "state" is the whole stage as markup with the
// batch's sequence as its id, "reading" is what the scale shows now, "alive" says that there is nothing new.
func (s *server) stream(w http.ResponseWriter, r *http.Request) error {
	state, err := s.cup(r)
	if err != nil {
		return err
	}
	watcher, leave := s.Bench.Watch(state)
	defer leave()
	// What was booked between reading the cup and watching it was told to nobody: read it again.
	if state, err = s.cup(r); err != nil {
		return err
	}
	s.Bench.Publish(state)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	out := &events{w: w, control: http.NewResponseController(w)}
	beat := time.NewTicker(heartbeat)
	defer beat.Stop()
	for {
		select {
		case <-r.Context().Done():
			return nil
		case <-s.Done:
			return nil
		case <-beat.C:
			if !s.gate.still(r) {
				return nil // the screen was dismissed, or nobody works at it any more
			}
			err = out.send("alive", "", []byte("{}"))
		case <-watcher.C:
			next, live := watcher.Next()
			if next != nil {
				state = *next
				err = s.sendState(out, r, state)
			}
			if err == nil && live != nil {
				err = s.sendLive(out, state, *live)
			}
		}
		if err != nil {
			return nil // the screen went away; it will come back and get everything
		}
	}
}

func (s *server) sendState(out *events, r *http.Request, state pour.State) error {
	view, err := s.pourView(r, state)
	if err != nil {
		return err
	}
	var markup bytes.Buffer
	if err := page.Stage(view).Render(r.Context(), &markup); err != nil {
		return err
	}
	return out.send("state", fmt.Sprint(state.Seq), markup.Bytes())
}

func (s *server) sendLive(out *events, state pour.State, live bench.Live) error {
	data, err := json.Marshal(liveView(state, &live))
	if err != nil {
		return err
	}
	return out.send("reading", "", data)
}

// events writes server-sent events (WHATWG HTML, 9.2).
type events struct {
	w       http.ResponseWriter
	control *http.ResponseController
}

func (e *events) send(name, id string, data []byte) error {
	var b bytes.Buffer
	fmt.Fprintf(&b, "event: %s\n", name)
	if id != "" {
		fmt.Fprintf(&b, "id: %s\n", id)
	}
	for line := range bytes.Lines(data) {
		b.WriteString("data: ")
		b.Write(bytes.TrimRight(line, "\r\n"))
		b.WriteByte('\n')
	}
	b.WriteByte('\n')
	if err := e.control.SetWriteDeadline(time.Now().Add(writeWithin)); err != nil {
		return err
	}
	if _, err := e.w.Write(b.Bytes()); err != nil {
		return err
	}
	return e.control.Flush()
}
