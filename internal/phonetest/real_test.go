package phonetest

import (
	"context"
	"sync"
	"testing"
	"time"

	web "chaffinch/publish/phone"
)

// The page over the server that the program has, and not the make-believe one:
// pairing with the code that is shown, live data, an alert, an answer, a count,
// and a restart that the phone outlives with its token.
func TestOverTheProgramsOwnServer(t *testing.T) {
	t.Parallel()
	p := serve(t, "setup", cutting)
	p.down() // its board and inputs serve, its HTTP does not
	var mu sync.Mutex
	kept := map[string][]byte{}
	keep := web.Keep{
		Load: func(name string) ([]byte, error) { mu.Lock(); defer mu.Unlock(); return kept[name], nil },
		Save: func(name string, b []byte) error { mu.Lock(); defer mu.Unlock(); kept[name] = b; return nil },
	}
	codes := make(chan web.Code, 10)
	start := func() (stop func()) {
		settings := web.DefaultSettings()
		settings.Listen = p.addr
		server, err := web.New(web.Options{Settings: settings, Board: p.board, Submit: p.submit, Machine: "West 2", Version: "v0.9.0", Boot: p.boot,
			Keep: keep, Date: func() (time.Time, bool) { return time.Now(), true }, Show: func(c web.Code) { codes <- c }})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(context.Background())
		var running sync.WaitGroup
		running.Add(2)
		go func() { defer running.Done(); _ = server.Run(ctx) }()
		go func() { defer running.Done(); p.tick(ctx.Done()) }()
		return func() { cancel(); running.Wait() }
	}
	stop := start()
	defer func() { stop() }()
	code := <-codes

	ph := newPhone(t, tall)
	ph.night(false)
	ph.do(`location.href = ` + quoted(p.url()+"#pair="+code.Digits))
	ph.until("the code is filled in", `document.getElementById('pair-code')?.value === `+quoted(code.Digits))
	ph.tap("#pair button")
	ph.says("All well")
	p.event(rotor)
	ph.says("Rotor down 9\u00a0%: slow down now")
	ph.tap("#seen")
	ph.until("it is seen", `document.getElementById('rank').textContent === 'Seen'`)
	p.event(ended(rotor))
	p.note(opened(faster))
	ph.advice()
	ph.tap("#answers .main")
	ph.until("the card is gone", `document.getElementById('card').hidden`)
	if told := p.told(2); told[0].Acknowledge == nil || told[1].Answer == nil || told[1].Answer.Reply != "done" {
		t.Errorf("the program was told %+v", told)
	}
	p.set(standing)
	ph.countOnTheGround()
	ph.view("setup")
	ph.until("header and levers can be chosen", `document.querySelector('#set-crop [name=header]')?.value === 'grain' && document.querySelectorAll('#set-levers [name=lever]:checked').length === 2`)
	ph.until("what can be set up is shown", `document.querySelector('#set-crop') && document.querySelector('#set-phones li')`)
	ph.tap("#set-phones button[type=submit]")
	ph.until("a code is shown, and as a picture", `document.querySelector('#set-phones .big') && document.querySelector('#set-phones img').naturalWidth > 20`)
	ph.view("day")
	ph.until("the day is there", `document.getElementById('thread').innerText.includes('Rotor down 9 %')`)

	ph.view("now")
	ph.do(`globalThis.sameLife = 1`)
	stop()
	p.renew()
	stop = start()
	p.event(overload)
	ph.within(20*time.Second, "the new run is shown", `document.getElementById('sentence').textContent === `+quoted(unbroken(overload.Text)))
	if ask[float64](ph, `globalThis.sameLife`) != 1 {
		t.Error("the page was loaded anew")
	}
}
