// The view Now.

import { $, flag, make, reshape, say, shape, show } from './dom.js';
import { ask } from './api.js';
import { glance } from './glance.js';
import { acknowledged, link, moving, ranked, value, VERDICT } from './state.js';
import { BASIS, OUTCOME, OUTCOME_SHAPE, quality, RANK, REPLY } from './words.js';
import { plain, unitName } from './units.js';

const SHAPES = { seen: 'low', prompt: 'prompt' };

// A number and its unit stay on one line.
const tight = (text) => text.replace(/(\d) (?=(%|s|min|h|rpm|mm|in|mph|km\/h|t\/h|ton\/h)(\W|$))/g, '$1\u00a0');

// A long word needs small letters as a long sentence does.
const sizeOf = (text) => (text.length > 24 || text.split(' ').some((w) => w.length > 8) ? 'long' : text.length > 13 ? 'middle' : 'short');

/** render brings the view to the state. me tells what this phone may. */
export function render(s, me, now) {
  const rolling = moving(s);
  const g = glance(s, now);
  const box = $('glance');
  flag(box, 'data-state', g.state);
  const top = g.alert ?? g.top;
  reshape(box.querySelector('.shape'), g.state === 'seen' ? top.priority : SHAPES[g.state] ?? g.state);
  say($('rank'), g.rank ?? '');
  say($('sentence'), tight(g.text));
  flag($('sentence'), 'data-size', sizeOf(g.text));
  say($('detail'), g.detail ?? '');
  const seen = $('seen');
  show(seen, Boolean(g.alert && me?.role !== 'look'));
  seen.dataset.event = g.alert?.id ?? '';

  const usable = link(s, now).state === 'live';
  renderOthers(usable ? ranked(s).filter((a) => a !== top) : [], s, rolling, me);
  // One thing at a time: an alarm that nobody has seen comes before advice.
  const pressing = g.alert && g.alert.priority !== 'low' && rolling;
  renderCard(usable && !pressing ? s.prompt : null, rolling, me, now);
  say($('trial').firstElementChild, s.trial?.unsent ? 'Not sent. Try again.' : 'Watching what the change does');
  show($('trial'), Boolean(usable && s.trial && !s.prompt && !g.alert && me?.role !== 'look'));
  flag($('view-now'), 'data-card', s.prompt && !$('card').hidden ? true : null);
  renderVerdict(s, usable, rolling, now, Boolean(g.alert));
  renderNumbers(s, usable);
}

function renderOthers(all, s, rolling, me) {
  // While moving their shapes and number are enough.
  const chips = $('chips');
  const short = rolling ? all.map((a) => a.id + a.priority).join() : '';
  if (chips.dataset.has !== short) {
    chips.dataset.has = short;
    chips.replaceChildren(...(short ? [...all.slice(0, 4).map((a) => shape(a.priority)), `+${all.length}`] : []));
    flag(chips, 'aria-label', short ? `${all.length} more: ${all.map((a) => a.text).join('. ')}` : null);
    flag(chips, 'role', short ? 'img' : null);
  }
  const list = $('others');
  show(list, !rolling && all.length > 0);
  const long = rolling ? '' : all.map((a) => [a.id, a.priority, a.text, acknowledged(s, a)].join()).join(';');
  if (list.dataset.has === long) return;
  list.dataset.has = long;
  list.replaceChildren(...(rolling ? [] : all).map((a) => make('li', {}, shape(a.priority),
    make('span', {}, make('b', {}, acknowledged(s, a) ? 'Seen' : RANK[a.priority]), ` ${tight(a.text)}`),
    acknowledged(s, a) || me?.role === 'look' ? '' : make('button', { type: 'button', 'data-event': a.id, class: 'seen', 'aria-label': `Seen: ${a.text}` }, 'Seen'))));
}

// A finger that was on its way to something else must not answer a card that
// has just come up.
const GUARD = 400;
let appeared = 0;
let unfolded = null; // as he wants it; null: as it comes

function renderCard(p, rolling, me, now) {
  const card = $('card');
  const id = p?.id ?? '';
  if (card.dataset.prompt !== id) {
    card.dataset.prompt = id;
    appeared = now;
    unfolded = null;
    say(card.querySelector('.answer'), '');
    if (p) fill(card, p, me);
  }
  show(card, Boolean(p));
  if (!p) return;
  // Reasons are to read, so while moving they come when asked for.
  const open = unfolded ?? !rolling;
  show($('reasons'), open);
  flag($('why'), 'aria-expanded', String(open));
}

function fill(card, p, me) {
  reshape(card.querySelector('.shape'), ['up', 'down', 'look', 'wait'].includes(p.direction) ? p.direction : 'prompt');
  say($('head'), tight(p.head));
  for (const part of ['reason', 'limit', 'risk', 'caution']) say($(part), p[part] ?? '');
  if (me?.role === 'look') {
    $('answers').replaceChildren(make('p', {}, 'This phone may look only.'));
    return;
  }
  const replies = (p.answers ?? []).filter((r) => REPLY[r]);
  $('answers').replaceChildren(...replies.map((r, i) => make('button', {
    type: 'button', class: i === 0 ? 'main' : null, onclick: (e) => { if (performance.now() - appeared > GUARD || e.detail === 0) reply(card, p, r); },
  }, REPLY[r])));
}

async function reply(card, p, word) {
  const buttons = [...$('answers').children];
  const answer = card.querySelector('.answer');
  buttons.forEach((b) => { b.disabled = true; });
  say(answer, 'Sending');
  try {
    await ask('POST', 'answer', { prompt: p.id, reply: word });
    if (card.dataset.prompt === p.id) say(answer, 'Noted');
    if (word === 'done' && !p.back) done(p);
  } catch (trouble) {
    if (card.dataset.prompt !== p.id) return;
    say(answer, trouble.status === 409 ? 'This advice has closed.' : `Not sent. ${trouble.message}`);
    buttons.forEach((b) => { b.disabled = false; });
  }
}

let done = () => {};

/** start wires the buttons; on.done is for a prompt, on.seen for an alert. */
export function start(s, on) {
  done = on.done;
  $('why').addEventListener('click', () => { unfolded = $('reasons').hidden; on.changed(); });
  $('view-now').addEventListener('click', (e) => {
    const button = e.target.closest('[data-event]');
    if (button?.dataset.event) on.seen(button.dataset.event);
  });
  $('put-back').addEventListener('click', async (e) => {
    const { trial } = s;
    if (!trial) return;
    trial.unsent = false;
    e.target.disabled = true;
    try {
      await ask('POST', 'answer', { prompt: trial.id, reply: 'put-back' });
    } catch (trouble) {
      // Refused: it was judged meanwhile. Else nobody has heard it.
      if (trouble.status === 0 || trouble.status >= 500) trial.unsent = true;
    }
    e.target.disabled = false;
    if (!trial.unsent && s.trial === trial) s.trial = null;
    on.changed();
  });
}

function renderVerdict(s, usable, rolling, now, alarmed) {
  const node = $('verdict');
  const is = usable && s.verdict && now - s.verdictAt < VERDICT && !alarmed && !(rolling && s.prompt);
  show(node, Boolean(is));
  if (!is) return;
  reshape(node.querySelector('.shape'), OUTCOME_SHAPE[s.verdict.outcome] ?? 'unknown');
  say(node.querySelector('span'), rolling ? OUTCOME[s.verdict.outcome] ?? s.verdict.outcome : s.verdict.text);
}

function renderNumbers(s, usable) {
  const { live } = s;
  const put = (id, n, label) => {
    const box = $(id);
    if (label) say(box.querySelector('dt'), label);
    const node = box.querySelector('.value');
    say(node, n.text);
    node.classList.toggle('word', Boolean(n.word));
    say(box.querySelector('.how'), n.how);
  };
  if (!live || !usable) {
    // An old number is no number.
    for (const id of ['n-full', 'n-feed', 'n-load', 'n-loss']) put(id, { text: live ? 'old' : '–', how: '', word: true });
    return;
  }
  put('n-full', live.fullness_pct === null ? { text: live.feed_basis === 'none' ? 'not known' : 'not yet', how: '', word: true }
    : { text: `${live.fullness_pct} %`, how: 'of comfortable' });
  const feed = live.feed_rate_t_h;
  // No more digits than the error leaves.
  const digits = live.feed_rate_sd_t_h < 1 ? 1 : 0;
  put('n-feed', feed === null ? { text: 'not known', how: '', word: true }
    : { text: `${plain(feed, 't/h', digits)} ±${plain(live.feed_rate_sd_t_h, 't/h', digits)}`, how: BASIS[live.feed_basis] ?? '' }, feedName());
  put('n-load', number(value(s, 'engine_load_pct'), ' %'));
  put('n-loss', loss(s));
}

// A longer unit leaves no room for the word on the smallest phone.
const feedName = () => (unitName('t/h').length > 3 ? unitName('t/h') : `Feed ${unitName('t/h')}`);

const number = (r, unit) => (r.v === null ? { text: quality(r.quality), how: '', word: true } : { text: `${plain(r.v, '%')}${unit}`, how: quality(r.quality) });

/** loss is the worst of the loss sensors, levels from 0 to 100; else a share of the crop. */
function loss(s) {
  const all = [['separation_loss_pct', 'separation'], ['cleaning_loss_pct', 'cleaning']]
    .map(([name, words]) => ({ ...value(s, name), words })).filter((r) => r.quality !== 'missing');
  const known = all.filter((r) => r.v !== null);
  const crop = value(s, 'crop_loss_pct');
  if (!known.length) return crop.v === null ? number(all[0] ?? crop, '') : { text: `${plain(crop.v, '%', 1)} %`, how: 'of the crop' };
  const worst = known.reduce((a, b) => (b.v > a.v ? b : a));
  return { text: plain(worst.v, '%'), how: `${worst.words}, of 100` };
}
