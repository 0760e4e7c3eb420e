// The ground count: kernels on a known area, in three places or a pan. The
// arithmetic is the program's; the page only asks.

import { make, say, show } from './dom.js';
import { metric, plain, told, unitName } from './units.js';

export const LEAD = 'Stop where the crop is typical, with straw dropping in a band. See that nobody is behind, back up one machine length, then get down as above. Count at least 100 kernels in all.';

const PLACES = [
  ['pre-harvest', 'In the standing crop', 'May be left out.'],
  ['header', 'Where only the header has passed', ''],
  ['behind', 'Behind the machine', 'In the band of straw.'],
  ['pan', 'In the pan', 'Let it go from under the machine. Never throw one.'],
];
const USUAL_M2 = 0.25;
const ENOUGH = 100;

const field = (name, words, unit, value) => make('label', {}, words, ' ', make('span', { class: 'unit', 'data-unit': unit }),
  make('input', { name, inputmode: 'decimal', autocomplete: 'off', 'data-unit': unit, 'data-usual': value ?? '' }));

function place([name, words, hint]) {
  const input = make('input', { name: `kernels-${name}`, inputmode: 'numeric', autocomplete: 'off', 'aria-label': `Kernels ${words.toLowerCase()}`, placeholder: '0' });
  const step = (by) => make('button', {
    type: 'button', 'aria-label': `${by > 0 ? 'Add' : 'Take off'} ${Math.abs(by)}: ${words.toLowerCase()}`,
    onclick: () => {
      input.value = String(Math.max(0, (parseInt(input.value, 10) || 0) + by));
      input.dispatchEvent(new Event('input', { bubbles: true }));
    },
  }, by > 0 ? `+${by}` : `−${-by}`);
  return make('fieldset', { 'data-place': name }, make('legend', {}, words), hint && make('p', { class: 'small' }, hint),
    make('div', { class: 'stepper' }, input, step(-10), step(-1), step(1), step(10)), field(`area-${name}`, 'Area counted', 'm2', USUAL_M2));
}

/** parts are the fields of the form. */
export function parts() {
  const way = (value, text, checked) => make('label', { class: 'choice' }, make('input', { type: 'radio', name: 'way', value, checked }), make('span', {}, text));
  return [
    make('fieldset', {}, make('legend', {}, 'How'), make('div', { class: 'choices two' }, way('ground', 'On the ground', true), way('pan', 'Released pan'))),
    ...PLACES.map(place),
    make('p', { class: 'sum', 'aria-live': 'polite' }),
    field('discharge_width_m', 'Width of the straw band', 'm'),
    field('cut_width_m', 'Width cut, if not as set up', 'm'),
    field('yield_t_ha', 'Yield, if known', 't/ha'),
    make('fieldset', {}, make('legend', {}, 'Grain still in heads or pods behind'), make('div', { class: 'choices' },
      ...['None', 'Little', 'Some', 'Much'].map((t) => make('label', { class: 'choice' }, make('input', { type: 'radio', name: 'unthreshed_behind', value: t.toLowerCase() }), make('span', {}, t))))),
  ];
}

const inUse = (node) => (new FormData(node).get('way') === 'pan' ? ['pre-harvest', 'header', 'pan'] : ['pre-harvest', 'header', 'behind']);
const kernels = (node, name) => node.elements[`kernels-${name}`].value.trim();

/** start wires the form. */
export function start(node) {
  const refresh = () => {
    const names = inUse(node);
    for (const f of node.querySelectorAll('[data-place]')) show(f, names.includes(f.dataset.place));
    const sum = names.reduce((n, name) => n + (parseInt(kernels(node, name), 10) || 0), 0);
    say(node.querySelector('.sum'), sum >= ENOUGH ? `${sum} kernels: enough` : `${sum} of ${ENOUGH} kernels`);
  };
  node.addEventListener('input', refresh);
  node.addEventListener('change', refresh);
  node.addEventListener('cleared', () => { units(node); refresh(); });
  units(node);
  refresh();
}

/** units writes the units and the usual areas in the system that is shown. */
export function units(node) {
  for (const u of node.querySelectorAll('span.unit')) say(u, `(${unitName(u.dataset.unit)})`);
  for (const i of node.querySelectorAll('input[data-usual]')) {
    // What stands there from before, in other units, is no entry of his.
    if (i.dataset.usual && (!i.value || i.value === i.dataset.filled)) i.dataset.filled = i.value = plain(Number(i.dataset.usual), i.dataset.unit);
  }
}

/** number reads what was typed, from least up; null where nothing was. */
export function number(text, words, least = 0) {
  const t = text.trim().replace(',', '.').replace('−', '-');
  if (t === '') return null;
  const v = Number(t);
  if (!isFinite(v) || v < least) throw new Error(`${words}: “${text}” is no number.`);
  return v;
}

/** collect makes the body of the request. */
export function collect(node) {
  const body = { places: [] };
  for (const name of inUse(node)) {
    const n = number(kernels(node, name), 'Kernels');
    if (n === null) continue;
    const area = number(node.elements[`area-${name}`].value, 'Area counted');
    if (!area) throw new Error('Give the area that was counted.');
    body.places.push({ where: name, kernels: Math.round(n), area_m2: round(metric(area, 'm2'), 4) });
  }
  if (!body.places.length) throw new Error('Count kernels first.');
  for (const name of ['discharge_width_m', 'cut_width_m', 'yield_t_ha']) {
    const i = node.elements[name];
    const v = number(i.value, i.closest('label').firstChild.textContent.trim());
    if (v) body[name] = round(metric(v, i.dataset.unit), 3);
  }
  if (!body.discharge_width_m && body.places.some((p) => p.where === 'behind' || p.where === 'pan')) {
    throw new Error('Give the width of the straw band. Is it spread? Then count all over the cut, and give the width cut.');
  }
  const heads = new FormData(node).get('unthreshed_behind');
  if (heads) body.unthreshed_behind = heads;
  return body;
}

const round = (v, digits) => Number(v.toFixed(digits));

const PARTS = [['header', 'Header'], ['machine', 'Machine'], ['harvest', 'Header and machine'], ['pre_harvest', 'Before harvest'], ['total', 'In all']];

/** tell is the result: what was lost, and how far chance may have it. */
export function tell(result) {
  const g = result?.ground ?? {};
  const rows = PARTS.filter(([key]) => g[key]).map(([key, words]) => {
    const p = g[key];
    const share = p.pct === null || p.pct === undefined ? '' : `${plain(p.pct, '%', 1)} % of the crop`;
    // Two standard errors hold 95 of 100 cases (of chance alone).
    return make('tr', {}, make('th', { scope: 'row' }, words, make('br'), make('small', {}, `${p.kernels} kernels${p.enough ? '' : ': too few to rely on'}`)),
      make('td', { class: 'number' }, `${plain(p.kg_ha, 'kg/ha')} ±${told(2 * p.se_kg_ha, 'kg/ha')}`, make('br'), make('small', {}, share)));
  });
  return [make('span', {}, result?.text ?? ''), rows.length ? make('table', { 'aria-label': 'Losses, with the error of counting' }, make('tbody', {}, ...rows)) : ''];
}
