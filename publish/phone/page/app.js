// What holds the page together: the stream into the state, the state into the
// view that is open, twice a second.

import { $, flag, reshape, say, show } from './dom.js';
import { ask, listen } from './api.js';
import { acknowledged, fresh, link, moving, ranked, take } from './state.js';
import { RANK, SILENT } from './words.js';
import { use } from './units.js';
import * as theme from './theme.js';
import * as now from './now.js';
import * as ribbon from './ribbon.js';
import * as checks from './checks.js';
import * as ground from './ground.js';
import * as day from './day.js';
import * as setup from './setup.js';
import * as pair from './pair.js';
import * as sound from './sound.js';

const s = fresh();
let me = null;
let unpaired = false; // said by the computer; not known is another thing
let again = false; // a phone that is paired is to be paired with another code
let listening = false;
let view = 'now';
let announced = { boot: null, alerts: new Map(), prompt: null };

// Events that the day and the ribbon have something of.
const NEWS = new Set(['alerts', 'prompt', 'verdict', 'checks']);
const VIEWS = ['now', 'checks', 'day', 'setup'];

/** gated tells whether a view has to wait until the machine stands. */
function gated(name) {
  if (!moving(s) || name === 'now') return false;
  // Who may only look is not who drives.
  return !(name === 'day' && me?.role === 'look');
}

function render() {
  const at = performance.now();
  const l = link(s, at);
  flag(document.body, 'data-moving', moving(s) ? true : null);
  flag(document.body, 'data-link', l.state);
  say($('link'), { live: 'Live', old: 'Old', away: 'Lost', new: '…' }[l.state]);
  flag($('link'), 'data-link', l.state);
  const asks = unpaired || (again && !moving(s));
  show($('view-pair'), asks);
  show($('nav'), Boolean(me));
  const stop = !asks && Boolean(me) && gated(view);
  show($('view-stop'), stop);
  // Without news nobody knows whether it stands.
  say($('stop-head'), l.state === 'live' ? 'Stop to use this' : 'No connection');
  say($('stop-why'), l.state === 'live' ? '' : 'It moved when it was last heard. This opens when it is heard to stand.');
  for (const name of VIEWS) show($(`view-${name}`), !asks && !stop && (me ? view === name : name === 'now'));
  for (const a of $('nav').children) {
    const name = a.hash.slice(1);
    flag(a, 'aria-current', name === view ? 'page' : null);
    flag(a, 'data-due', name === 'checks' && s.checks.length > 0 ? true : null);
  }
  const on = sound.allowed();
  reshape($('sound').firstElementChild, on ? 'sounding' : 'silent');
  say($('sound').lastElementChild, on ? 'Sound' : 'Silent');
  flag($('sound'), 'aria-pressed', String(on));
  flag($('sound'), 'aria-label', on ? 'Sound' : 'Silent: no sound');
  if (asks || stop) return;
  if (view === 'now' || !me) now.render(s, me, at);
  else if (view === 'checks') checks.render(s, me);
}

/** announce tells by ear, touch and screen reader what is new. */
function announce() {
  if (announced.boot !== s.boot) announced = { boot: s.boot, alerts: new Map(), prompt: null };
  for (const id of announced.alerts.keys()) {
    if (s.alerts.some((a) => a.id === id)) continue;
    announced.alerts.delete(id);
    $('urgent').textContent = '';
    $('polite').textContent = s.alerts.length ? 'An alert is over.' : 'The alert is over.';
  }
  // All is said, and the most urgent is heard and felt.
  const fresh = ranked(s).filter((a) => announced.alerts.get(a.id) !== a.priority && !acknowledged(s, a));
  for (const a of s.alerts) announced.alerts.set(a.id, a.priority);
  for (const [box, all] of [['urgent', fresh.filter((a) => a.priority !== 'low')], ['polite', fresh.filter((a) => a.priority === 'low')]]) {
    if (all.length) $(box).textContent = all.map((a) => `${RANK[a.priority] ?? ''}: ${a.text}`).join('. ');
  }
  const loudest = fresh.find((a) => !SILENT.has(a.kind));
  if (loudest) sound.signal(loudest.priority);
  const id = s.prompt?.id ?? null;
  if (id && id !== announced.prompt) {
    $('polite').textContent = `Advice: ${s.prompt.head}`;
    // What is more urgent goes first: a second signal would end it.
    if (!s.alerts.some((a) => a.priority !== 'low' && !acknowledged(s, a))) sound.signal('prompt');
  }
  announced.prompt = id;
}

let lost = false;

/** miss tells once that nothing comes any more: no alarm would either. */
function miss() {
  const away = Boolean(me) && link(s, performance.now()).state === 'away';
  if (away && !lost) {
    $('urgent').textContent = 'No connection';
    sound.signal('low');
  }
  lost = away;
}

// What is urgent and not seen is told again and again.
setInterval(() => {
  if (link(s, performance.now()).state === 'live' && s.alerts.some((a) => a.priority === 'high' && !acknowledged(s, a))) sound.signal('high');
}, 5000);

let drawn = 0;
let fetching = false;

/** redraw brings the ribbon up to date, at most each ten seconds unless news came. */
async function redraw(news) {
  if (fetching || !me || document.hidden || view !== 'now' || (!news && performance.now() - drawn < 10_000)) return;
  fetching = true;
  drawn = performance.now();
  try { ribbon.render($('plot'), await ask('GET', 'history?minutes=20')); } catch { /* the link tells */ }
  fetching = false;
}

let held = false;

function open(name) {
  const before = view;
  again = false;
  view = VIEWS.includes(name) ? name : 'now';
  if (before === 'setup' && view !== 'setup') setup.close();
  render();
  if (!me) return;
  held = gated(view);
  if (view === 'now') redraw(true);
  if (view === 'checks') refresh(); // a bushel is of the crop
  if (view === 'day' && !gated(view)) day.open();
  if (view === 'setup' && !gated(view)) setup.open(s, me, pairAgain);
  if (before !== view) $('main').scrollTop = 0;
}

/** resumed: a view that had to wait gets its content when the machine stands. */
function resumed() {
  const is = gated(view);
  // What is being typed in Set-up stays.
  if (held && !is && !(view === 'setup' && $('set-crop'))) open(view);
  held = is;
}

/** pairAgain asks a phone that is paired for a code that lets it do more. */
function pairAgain() {
  again = true;
  render();
}

async function greet() {
  try {
    me = await ask('GET', 'me');
  } catch (trouble) {
    if (trouble.status === 401) {
      me = null;
      unpaired = true;
      pair.fill();
      render();
      return;
    }
    setTimeout(greet, 2000);
    return;
  }
  unpaired = false;
  use(me.units, me.crop);
  ground.units($('check-ground'));
  say($('machine'), me.machine || 'Chaffinch');
  document.title = `${me.machine || 'Machine'} · Chaffinch`;
  delete $('card').dataset.prompt; // it may be answered now
  const other = pair.fill();
  open(location.hash.slice(1));
  if (other) pairAgain();
  if (listening) return;
  listening = true;
  listen({
    heard: () => { s.heardAt = performance.now(); },
    event: (name, data) => {
      const { boot, version } = s;
      take(s, name, data, performance.now());
      render();
      if (name === 'alerts' || name === 'prompt') announce();
      resumed();
      // Page and program belong together.
      if (name === 'hello' && version !== null && version !== s.version) location.reload();
      if (name === 'hello' && boot !== null && boot !== s.boot) refresh();
      if (view === 'day' && me && !gated(view) && NEWS.has(name)) day.open();
      redraw(name === 'hello' || NEWS.has(name));
    },
    lost: render,
    refused: () => { listening = false; me = null; render(); greet(); },
  });
}

/** refresh: another run may have another crop, or other rights for this phone. */
async function refresh() {
  try { me = await ask('GET', 'me'); } catch (trouble) { unpaired = trouble.status === 401; }
  if (me) {
    use(me.units, me.crop);
    ground.units($('check-ground'));
  }
  render();
}

theme.start();
checks.start();
day.start();
pair.start(greet);
now.start(s, {
  changed: render,
  done: (p) => { s.trial = { id: p.id }; render(); },
  seen: async (id) => {
    const as = id + s.alerts.find((a) => a.id === id)?.priority;
    s.seen.add(as);
    render();
    try { await ask('POST', 'acknowledge', { event: id }); } catch (trouble) { if (trouble.status !== 409 && trouble.status !== 404) { s.seen.delete(as); render(); } }
  },
});
$('sound').addEventListener('click', async () => {
  const on = !sound.allowed();
  await sound.allow(on);
  if (on) sound.signal('low');
  render();
});
// A touch is a finger that goes up. The button itself says what is wanted.
addEventListener('pointerup', (e) => { if (!sound.allowed() && !$('sound').contains(e.target)) sound.resume(); }, { capture: true });
addEventListener('hashchange', () => {
  if (pair.fill()) pairAgain();
  else if (location.hash === '#main') history.replaceState(null, '', `#${view}`); // the link past the bar
  else open(location.hash.slice(1));
});
document.addEventListener('visibilitychange', () => { sound.stayAwake(); render(); });
setInterval(() => { render(); miss(); redraw(false); }, 500);
sound.stayAwake();
greet();
navigator.serviceWorker?.register('worker.js').catch(() => { /* only over a secure connection */ });
