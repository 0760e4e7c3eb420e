package phonetest

import (
	"flag"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"chaffinch/detect"
	"chaffinch/detect/advise"
	"chaffinch/internal/outside"
)

var update = flag.Bool("update", false, "make the pictures of the page anew")

// shots is where the pictures are kept.
const shots = "../../publish/phone/page/shots"

// sight is what a picture shows: the machine, and how to get there.
type sight struct {
	name   string
	scene  scene
	events []detect.Event
	notes  []advise.Note
	go_    func(*phone, *program)
}

func view(name, until string) func(*phone, *program) {
	return func(ph *phone, _ *program) {
		ph.view(name)
		ph.until(name+" is shown", until)
	}
}

var sights = []sight{
	{name: "now-well", scene: cutting},
	{name: "now-learning", scene: learning},
	{name: "now-prompt", scene: scene{activity: cutting.activity, kmh: 5.4, fullness: 63}, notes: []advise.Note{opened(raise)}, events: []detect.Event{spare}},
	{name: "now-urgent", scene: cutting, events: []detect.Event{silent, rotor}},
	{name: "now-attention", scene: scene{activity: cutting.activity, kmh: 5.4, fullness: 104}, events: []detect.Event{overload}},
	{name: "now-longest", scene: cutting, events: []detect.Event{longest}},
	{name: "now-standing", scene: standing, events: []detect.Event{silent, spare}, notes: []advise.Note{opened(raise)}},
	{name: "now-old", scene: cutting, go_: func(ph *phone, p *program) {
		p.silence(false, true)
		ph.until("data are old", `document.body.dataset.link === 'old'`)
	}},
	{name: "now-away", scene: cutting, go_: func(ph *phone, p *program) {
		p.silence(true, true)
		ph.within(20*time.Second, "the connection is lost", `document.getElementById('sentence').textContent === 'No connection'`)
	}},
	{name: "now-word", scene: cutting, events: []detect.Event{plug}},
	{name: "now-deaf", scene: scene{deaf: true}},
	{name: "stop", scene: cutting, go_: view("checks", `!document.getElementById('view-stop').hidden`)},
	{name: "checks", scene: standing, notes: []advise.Note{{Kind: advise.CheckAsked, Check: &tankWanted}, {Kind: advise.CheckAsked, Check: &groundWanted}},
		go_: view("checks", `document.querySelector('#box-tank[data-due]')`)},
	{name: "checks-ground", scene: standing, go_: func(ph *phone, p *program) {
		view("checks", `document.getElementById('check-ground')`)(ph, p)
		ph.do(`(document.getElementById('box-ground').open = true, document.querySelector('[data-place=behind]').scrollIntoView())`)
	}},
	{name: "day", scene: standing, events: []detect.Event{silent}, notes: []advise.Note{opened(faster), {Kind: advise.VerdictGiven, Verdict: &better}},
		go_: view("day", `document.querySelectorAll('#thread li').length > 3`)},
	{name: "setup", scene: standing, go_: view("setup", `document.getElementById('set-crop')`)},
	{name: "setup-heard", scene: standing, go_: func(ph *phone, p *program) {
		view("setup", `document.getElementById('set-finder')`)(ph, p)
		ph.do(`document.querySelector('table').closest('.panel').scrollIntoView()`)
	}},
	{name: "setup-phones", scene: standing, go_: func(ph *phone, p *program) {
		view("setup", `document.querySelector('#set-phones li')`)(ph, p)
		ph.tap("#set-phones button[type=submit]")
		ph.until("a code is shown", `document.querySelector('#set-phones img')?.naturalWidth > 0`)
		ph.do(`document.getElementById('set-phones').scrollIntoView()`)
	}},
}

// show brings a phone to a sight.
func (sg sight) show(ph *phone, p *program) {
	ph.t.Helper()
	for _, e := range sg.events {
		p.event(e)
	}
	for _, n := range sg.notes {
		p.note(n)
	}
	for _, e := range sg.events {
		ph.until("the alert has come", `document.body.textContent.replaceAll('\u00a0', ' ').includes(`+quoted(e.Text)+`) || document.getElementById('chips').ariaLabel?.includes(`+quoted(e.Text)+`)`)
	}
	if sg.go_ != nil {
		sg.go_(ph, p)
	}
	ph.until("the ribbon is drawn", `document.querySelector('#plot svg')`)
}

// A picture of each sight, in daylight on a phone upright, at night, and some
// on its side and on a small phone. Made only on demand: to be looked at.
func TestPictures(t *testing.T) {
	if !*update {
		t.Skip("pictures are made by -update, to be looked at")
	}
	pngquant := outside.Tool(t, "pngquant")
	for _, sg := range sights {
		t.Run(sg.name, func(t *testing.T) {
			p := serve(t, "setup", sg.scene)
			ph := newPhone(t, tall)
			ph.open(p)
			sg.show(ph, p)
			take := func(name string) {
				path := filepath.Join(shots, sg.name+name+".png")
				ph.picture(path)
				// 32 colours are enough for flat areas and letters.
				if out, err := exec.Command(pngquant, "--force", "--ext", ".png", "--strip", "32", path).CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
			}
			take("-day")
			ph.night(true)
			take("-night")
			ph.night(false)
			if sg.moving() || sg.name == "checks" {
				ph.resize(sideways)
				take("-sideways")
				ph.resize(small)
				take("-small")
			}
		})
	}
}
