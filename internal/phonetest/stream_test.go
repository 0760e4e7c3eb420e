package phonetest

import (
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"time"

	"chaffinch/publish"
)

// stream sends what is true, and then what changes.
func (p *program) stream(w http.ResponseWriter, r *http.Request) {
	p.mu.Lock()
	boot, stop, board, version := strconv.FormatUint(p.boot, 10), p.stop, p.board, p.version
	p.mu.Unlock()
	w.Header().Set("Content-Type", "text/event-stream")
	flush := w.(http.Flusher).Flush
	last := map[string]string{}
	send := func(name string, data []byte) {
		if data == nil {
			data = []byte("null")
		}
		if s := string(data); last[name] != s {
			last[name] = s
			_, _ = io.WriteString(w, "event: "+name+"\ndata: "+s+"\n\n")
		}
	}
	hello, _ := json.Marshal(map[string]any{"boot": boot, "version": version, "time": time.Now().UTC()})
	send("hello", hello)
	beat := time.NewTicker(5 * time.Second)
	defer beat.Stop()
	for {
		changed := board.Watch()
		p.mu.Lock()
		mute := p.mute
		p.mu.Unlock()
		if !mute {
			if live := board.Newest(); live != nil {
				send("live", live)
			}
			send("alerts", publish.JoinPayloads(board.AlertPayloads()))
			send("prompt", board.Prompt())
			if v := board.Verdict(); v != nil {
				send("verdict", v)
			}
			send("checks", publish.JoinPayloads(board.Checks()))
			flush()
		}
		select {
		case <-changed:
		case <-beat.C:
			if !mute {
				_, _ = io.WriteString(w, ": beat\n\n")
				flush()
			}
		case <-stop:
			return
		case <-r.Context().Done():
			return
		}
	}
}
