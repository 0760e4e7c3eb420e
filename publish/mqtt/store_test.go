package mqtt

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"chaffinch/canbus/signal"
	"chaffinch/detect"
	"chaffinch/publish"
	"chaffinch/store"
)

// storeBox is the outbox of a store on disk, one message at a time.
type storeBox struct {
	writer *store.Writer
	next   []store.Message
}

func (b *storeBox) Next() (uint64, string, []byte, bool) {
	if s := b.writer.Store(); s != nil {
		b.next, _ = s.OutboxNext(1)
	}
	if len(b.next) == 0 {
		return 0, "", nil, false
	}
	return b.next[0].Key.Seq, topics.Event(), b.next[0].Record.Payload, true
}

func (b *storeBox) Done(uint64) { b.writer.Sent(b.next[0]) }

func (b *storeBox) Wait(ctx context.Context) error {
	for {
		if s := b.writer.Store(); s != nil {
			if waiting, _ := s.OutboxNext(1); len(waiting) > 0 {
				return nil
			}
		}
		select {
		case <-time.After(time.Millisecond):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// The whole way out: events are committed to the store on disk while the
// connection is cut again and again, the program stops and starts in between,
// and mosquitto_sub gets them all in order.
func TestTheStoreReachesTheReceiver(t *testing.T) {
	noLeaks(t)
	m := newMosquitto(t)
	m.start()
	sub := subscribe(t, m.address, topics.Event())
	m.subscribed()
	through := newCutter(t, m.address, 6)
	path := filepath.Join(t.TempDir(), "store.db")
	clock := publish.Clock{Boot: 1}
	const each, runs = 40, 3
	for run := range runs {
		func() {
			w := store.NewWriter(store.WriterOptions{
				Open: func(context.Context) (*store.Store, store.Report, error) {
					s, err := store.Open(path, store.Options{})
					return s, store.Report{}, err
				},
				Committed: func([]store.Record) {},
			})
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- w.Run(ctx) }()
			u := NewUplink(UplinkOptions{Server: Server{Broker: "mqtt://" + through.Addr().String()}, Board: newBoard(), Outbox: &storeBox{writer: w}})
			u.shortest = 5 * time.Millisecond
			up, down := context.WithCancel(t.Context())
			closed := make(chan error, 1)
			go func() { closed <- u.Run(up) }()
			for i := range each {
				n := uint64(run*each + i + 1)
				e := event(n, "rotor-slowing", detect.Raised)
				r := store.Record{Kind: store.Event, ID: fmt.Sprint(n), Phase: e.Phase, Priority: e.Priority, At: signal.Instant(n), Send: true,
					Payload: publish.AppendEventMessage(nil, n, signal.Instant(n), e, clock)}
				if err := w.Put(ctx, r); err != nil {
					t.Fatal(err)
				}
			}
			if run == runs-1 {
				eventually(t, "the last is sent", func() bool {
					s := w.Store()
					if s == nil {
						return false
					}
					left, err := s.OutboxNext(1)
					return err == nil && len(left) == 0
				})
			} else {
				eventually(t, "some are sent", func() bool { return u.Health().Sent > 10 })
			}
			down()
			cancel()
			if err := <-closed; err != nil {
				t.Error(err)
			}
			if err := <-ended; err != nil {
				t.Error(err)
			}
		}()
	}
	var got []string
	ids := map[string]string{}
	eventually(t, "the receiver has all", func() bool {
		return strings.Contains(strings.Join(sub.all(), ""), fmt.Sprintf(`"id":"m1-%d"`, runs*each))
	})
	for _, line := range sub.all() {
		var msg struct {
			ID    string
			Boot  int
			Seq   int
			Phase string
			Event struct{ Kind, Text string }
		}
		if err := json.Unmarshal([]byte(strings.SplitN(line, " ", 3)[2]), &msg); err != nil {
			t.Fatal(err)
		}
		if msg.ID != fmt.Sprintf("m%d-%d", msg.Boot, msg.Seq) || msg.Phase != "raised" || msg.Event.Kind != "rotor-slowing" {
			t.Fatalf("message %s", line)
		}
		if was, ok := ids[msg.ID]; ok && was != line {
			t.Fatalf("id %s came with another content", msg.ID)
		}
		ids[msg.ID] = line
		got = append(got, fmt.Sprint(msg.Seq))
	}
	t.Logf("%d messages over %d runs and %d cut connections, %d came twice", runs*each, runs, through.cut.Load(), inOrder(t, got, runs*each))
}
