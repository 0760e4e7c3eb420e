// The view Set-up: crop, header, limits, levers, targets; what is heard on the
// bus; readings of the machine's own display; pairing; this phone.

import { $, flag, make, say, show } from './dom.js';
import { ask, sentence } from './api.js';
import { ACTIVITY, quality, symptomName } from './words.js';
import { metric, plain, span, told, unitName } from './units.js';
import { number } from './ground.js';
import { awake } from './sound.js';

const LIMITS = [
  ['ground_speed_kmh', 'Ground speed', 'km/h'], ['rotor_speed_rpm', 'Rotor speed', 'rpm'], ['fan_speed_rpm', 'Fan speed', 'rpm'],
  ['concave_mm', 'Concave gap', 'mm'], ['upper_sieve_mm', 'Upper sieve', 'mm'], ['lower_sieve_mm', 'Lower sieve', 'mm'], ['header_height_mm', 'Header height', 'mm'],
];
// These sensors show a level, no share of the grain.
const LEVEL = /^(separation|cleaning|returns|broken|trash)_/;
const FINE = { crop_loss_pct: 1, fuel_rate_l_h: 1, grain_flow_t_h: 1, grain_moisture_pct: 1, pitch_deg: 1, roll_deg: 1, latitude_deg: 5, longitude_deg: 5, cut_width_m: 2 };
const heardValue = (s) => {
  if (s.value === null || s.value === undefined) return '–';
  return LEVEL.test(s.name) ? `${plain(s.value, s.unit)} of 100` : told(s.value, s.unit, s.unit ? FINE[s.name] : 0);
};
const spoken = (name) => { const s = name.replaceAll(/[_-]/g, ' '); return s.charAt(0).toUpperCase() + s.slice(1); };
const text = (v, unit) => (v === null || v === undefined ? '' : plain(v, unit, Number.isInteger(v) ? undefined : 2).replace('−', '-'));

/** panel is a form that is sent on its own. */
function panel(id, head, parts, send, label = 'Save') {
  const answer = make('p', { class: 'answer', role: 'status' });
  const button = make('button', { type: 'submit', class: 'main' }, label);
  const node = make('form', { class: 'panel', id, novalidate: true }, make('h2', {}, head), ...parts, button, answer);
  node.addEventListener('submit', async (e) => {
    e.preventDefault();
    flag(answer, 'data-wrong', null);
    button.disabled = true;
    try {
      say(answer, 'Sending');
      say(answer, await send(node) || 'Saved.');
    } catch (trouble) {
      flag(answer, 'data-wrong', true);
      say(answer, trouble.message);
    }
    button.disabled = false;
  });
  return node;
}

const save = (body) => ask('POST', 'setup', body).then(() => 'Saved.');
const options = (all, now) => all.map((name) => make('option', { value: name, selected: name === now }, spoken(name)));

function crop(now) {
  return panel('set-crop', 'Crop and header', [
    make('label', {}, 'Crop', make('select', { name: 'crop' }, ...options(now.crops, now.crop))),
    make('label', {}, 'Header', make('select', { name: 'header' }, ...options(now.headers, now.header))),
    make('label', {}, 'Field', make('input', { name: 'field', maxlength: 60, value: now.field })),
    make('p', { class: 'small' }, `Cut width ${now.cut_width_m ? told(now.cut_width_m, 'm', 1) : 'not known'}. A thousand kernels weigh ${now.thousand_kernel_g || '?'} g.`),
  ], (f) => save({ crop: f.elements.crop.value, header: f.elements.header.value, field: f.elements.field.value.trim() }));
}

function limits(now) {
  const known = now.limits;
  const rows = LIMITS.map(([name, words, unit]) => make('fieldset', {}, make('legend', {}, `${words} (${unitName(unit)})`), make('div', { class: 'pair-of' },
    ...['min', 'max'].map((end) => make('label', {}, end === 'min' ? 'At least' : 'At most', make('input', { name: `${name}.${end}`, inputmode: 'decimal', autocomplete: 'off', value: text(known[name]?.[end], unit) }))))));
  return panel('set-limits', 'Your limits', [make('p', {}, 'Advice never goes beyond these. Empty: no limit.'), ...rows], (f) => {
    // What this page does not show stays as it is.
    const all = Object.fromEntries(Object.entries(known).filter(([name]) => !LIMITS.some(([n]) => n === name)));
    for (const [name, words, unit] of LIMITS) {
      for (const end of ['min', 'max']) {
        const typed = f.elements[`${name}.${end}`].value;
        const was = known[name]?.[end];
        const v = number(typed, words);
        // What nobody touched is not rounded to what was shown of it.
        if (v !== null) (all[name] ??= {})[end] = typed === text(was, unit) ? was : Number(metric(v, unit).toFixed(3));
      }
    }
    return save({ limits: all });
  });
}

function levers(now) {
  const own = new Set(now.seat_adjustable);
  return panel('set-levers', 'Set from the seat', [make('p', {}, 'What can be changed without getting down?'), make('div', {},
    ...now.levers.map((l) => make('label', { class: 'tick' }, make('input', { type: 'checkbox', name: 'lever', value: l, checked: own.has(l) }), spoken(l))))],
  (f) => save({ seat_adjustable: new FormData(f).getAll('lever') }));
}

const FROM = { setup: 'set here', 'ground-count': 'from a ground count', 'tank-sample': 'from a tank sample' };
const SYMPTOMS = ['separation-loss', 'cleaning-loss', 'crop-loss', 'returns', 'broken-grain', 'trash'];

function targets(now) {
  const known = Object.fromEntries(now.targets.map((t) => [t.symptom, t]));
  return panel('set-targets', 'Targets of the sensors', [make('p', {}, 'From 0 to 100, as the sensor shows. A ground count sets them better.'),
    ...SYMPTOMS.map((name) => {
      const t = known[name];
      return make('label', {}, spoken(symptomName(name)), t ? ` (${FROM[t.basis] ?? t.basis}${t.stale ? ', old' : ''})` : '',
        make('input', { name, inputmode: 'decimal', autocomplete: 'off', value: t ? text(t.target_pct, '%') : '', 'data-was': t ? text(t.target_pct, '%') : '' }));
    })], (f) => {
    const all = {};
    for (const name of SYMPTOMS) {
      const input = f.elements[name];
      const v = number(input.value, spoken(symptomName(name)));
      if (v !== null && input.value !== input.dataset.was) all[name] = v;
    }
    if (!Object.keys(all).length) throw new Error('Change a target first.');
    return save({ targets: all });
  });
}

function heardRows(signals) {
  const rank = (s) => (s.quality === 'good' ? 0 : s.quality === 'missing' ? 2 : 1);
  return [...signals].sort((a, b) => rank(a) - rank(b)).map((s) => make('tr', {}, make('th', { scope: 'row' }, spoken(s.words), make('br'),
    make('small', {}, [s.source, s.address >= 0 ? `address ${s.address}` : '', s.age_ms >= 2000 ? `${span(s.age_ms / 1000)} ago` : ''].filter(Boolean).join(', '))),
  make('td', { class: 'number' }, heardValue(s), make('br'), make('small', {}, quality(s.quality)))));
}

function finder(now) {
  const flags = new Set(['header_working', 'threshing_engaged', 'unloading']);
  const node = panel('set-finder', 'The display says', [
    make('p', {}, 'Machine running, header up, nobody near. Type what the machine’s own display shows now; repeat at other values.'),
    make('label', {}, 'Value of', make('select', { name: 'signal' }, ...now.signals.filter((s) => !flags.has(s.name)).map((s) => make('option', { value: s.name, selected: s.name === 'rotor_speed_rpm' }, `${spoken(s.words)}${LEVEL.test(s.name) ? ' (of 100)' : s.unit ? ` (${unitName(s.unit)})` : ''}`)))),
    make('label', {}, 'The display says', make('input', { name: 'value', inputmode: 'decimal', autocomplete: 'off' })),
  ], async (f) => {
    const v = number(f.elements.value.value, 'Value', -Infinity);
    if (v === null) throw new Error('Type the value first.');
    const name = f.elements.signal.value;
    await ask('POST', 'display-says', { signal: name, value: metric(v, now.signals.find((s) => s.name === name)?.unit) });
    f.elements.value.value = '';
    await candidates(node.querySelector('.found'), now);
    return 'Noted.';
  }, 'It says so now');
  node.append(make('div', { class: 'found' }));
  // The number pads of some phones have no minus.
  node.elements.signal.addEventListener('change', (e) => { node.elements.value.inputMode = /_(deg|c)$/.test(e.target.value) ? 'text' : 'decimal'; });
  return node;
}

async function candidates(box, now) {
  const answer = await ask('GET', 'display-says').catch(() => null);
  const all = answer?.found ?? [];
  const list = (f) => make('ol', {}, ...f.candidates.map((c) => make('li', {}, c.text,
    c.map ? make('details', {}, make('summary', {}, 'Map to paste'), make('code', {}, c.map)) : '')));
  box.replaceChildren(...all.map((f) => make('div', {}, make('h3', {}, `${spoken(now.signals.find((s) => s.name === f.signal).words)}, readings: ${f.readings}`), f.text ? make('p', {}, f.text) : '', list(f))));
}

function phone(me) {
  const may = { look: 'look', answer: 'look and answer', setup: 'look, answer and set up' }[me.role] ?? me.role;
  return make('div', { class: 'panel' }, make('h2', {}, 'This phone'), make('p', {}, `${me.machine}, version ${me.version}. This phone may ${may}.`), make('p', {}, awake()));
}

const ROLES = [['look', 'Look only'], ['answer', 'Answer'], ['setup', 'Set up']];

/** others lists the phones that are known, and shows a code for one more. */
function others() {
  const list = make('ul', { class: 'links' });
  const shown = make('div', { class: 'code' });
  const fill = async () => {
    const all = (await ask('GET', 'devices').catch(() => null))?.devices ?? [];
    list.replaceChildren(...all.map((d) => {
      const button = make('button', { type: 'button', 'aria-label': `Forget ${d.name}` }, 'Forget');
      button.addEventListener('click', async () => {
        // The second tap is meant.
        if (button.textContent === 'Forget') { say(button, 'Sure?'); return; }
        await ask('POST', 'forget', { device: d.id }).catch(() => null);
        fill();
      });
      return make('li', { class: 'row' }, make('span', {}, make('b', {}, d.name), ` ${ROLES.find(([r]) => r === d.role)?.[1] ?? d.role}`,
        d.seen ? make('small', {}, `, last here ${new Date(d.seen).toLocaleString('en-GB', { day: 'numeric', month: 'long', hour: '2-digit', minute: '2-digit' })}`) : ''), d.this ? make('span', {}, 'this one') : button);
    }));
  };
  fill();
  return panel('set-phones', 'Other phones', [list, make('label', {}, 'One more, that may', make('select', { name: 'role' },
    ...ROLES.map(([value, text]) => make('option', { value, selected: value === 'answer' }, text)))), shown], async (f) => {
    const role = f.elements.role.value;
    const c = await ask('GET', `pairing?role=${role}`);
    shown.replaceChildren(make('p', { class: 'big' }, c.code), make('img', { src: `/api/v1/pairing.png?role=${role}`, alt: 'The same as a picture for the other phone’s camera' }), make('code', {}, c.url));
    return `Good for ${span(c.ends_s)}.`;
  }, 'Show a code');
}

let timer = null;
let opened = false;

/** open fetches the set-up anew. */
export async function open(s, me, pairAgain) {
  const view = $('view-setup');
  const rest = (...nodes) => { view.replaceChildren(view.firstElementChild, ...nodes); };
  if (me.role !== 'setup') {
    rest(make('p', {}, 'To set up, this phone needs a code for it. A phone that may set up shows one: Set-up, Other phones, Set up.'),
      make('button', { type: 'button', class: 'main', onclick: pairAgain }, 'Type the code'), phone(me));
    return;
  }
  let now;
  opened = true;
  try {
    now = await ask('GET', 'setup');
    if (!opened) return;
  } catch (trouble) {
    rest(make('p', {}, trouble.message), phone(me));
    return;
  }
  const body = make('tbody', {}, ...heardRows(now.signals));
  rest(crop(now), limits(now), levers(now), targets(now),
    make('div', { class: 'panel' }, make('h2', {}, 'What is heard'), make('p', {}, ACTIVITY[s.live?.activity] ?? ''), ...(s.live?.health ?? []).map((h) => make('p', { class: 'caution' }, sentence(h.text))), make('table', { 'aria-label': 'Signals' }, body)),
    finder(now), others(), phone(me));
  candidates(view.querySelector('.found'), now);
  clearInterval(timer);
  timer = setInterval(async () => {
    if (view.hidden || document.hidden) return;
    const newer = await ask('GET', 'setup').catch(() => null);
    if (newer?.signals) body.replaceChildren(...heardRows(newer.signals));
  }, 3000);
}

/** close stops asking, and leaves nothing that would be old when it opens again. */
export function close() {
  clearInterval(timer);
  opened = false;
  const view = $('view-setup');
  view.replaceChildren(view.firstElementChild);
  show(view, false);
}
