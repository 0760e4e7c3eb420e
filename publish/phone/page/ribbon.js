// The ribbon: the last twenty minutes as a row of stalks, one for ten seconds.
// A stalk is as high as the machine was full; stubble is other work; a dotted
// line is fullness that nobody knows. Marks tell what happened.

import { draw, make, shape } from './dom.js';

const STEPS = 120;
const TOP = 125; // % of fullness at the upper edge

const APART = 7.6; // % of the width: a mark on the smallest phone

// The most telling first.
const MARKS = { alert: 'medium', prompt: 'prompt', verdict: 'same', setting: 'setting', check: 'check', note: 'note' };

/** paths makes the outlines of a history, in a box of STEPS by 100. */
export function paths(history) {
  const full = history.fullness_pct ?? [];
  const doing = history.activity ?? [];
  const from = STEPS - full.length;
  const out = { work: '', over: '', stub: '', blank: '' };
  full.forEach((v, i) => {
    const x = from + i;
    const bar = (top, bottom) => `M${x + 0.15} ${100 - bottom}V${100 - top}h.7V${100 - bottom}z`;
    const high = (pct) => Math.min(100, (100 * pct) / TOP);
    if (doing[i] !== 'cutting') {
      if (doing[i] && doing[i] !== 'unknown' && doing[i] !== 'off') out.stub += bar(7, 0);
    } else if (v === null || v === undefined) out.blank += `M${x} 60h1`;
    else {
      out.work += bar(Math.max(3, high(Math.min(v, 100))), 0);
      if (v > 100) out.over += bar(high(v), high(100));
    }
  });
  return out;
}

/** told is the ribbon in words, for who cannot see it. */
export function told(history) {
  const known = (history.fullness_pct ?? []).filter((v) => v !== null);
  if (!known.length) return 'Fullness, last 20 minutes: not known';
  const sorted = [...known].sort((a, b) => a - b);
  const count = (kind) => (history.marks ?? []).filter((m) => m.kind === kind).length;
  return `Fullness, last 20 minutes: mostly ${sorted[Math.floor(sorted.length / 2)]} %, from ${sorted[0]} to ${sorted.at(-1)} %. `
    + `Alerts: ${count('alert')}. Advice: ${count('prompt')}.`;
}

/**
 * placed gives marks their place from the left, in %, and one of two rows: the
 * most telling first, then the newest. What would lie on others is left out.
 */
export function placed(marks) {
  const weight = Object.keys(MARKS);
  const rows = [[], []];
  const out = [];
  const seen = marks.filter((m) => m.ago_s <= STEPS * 10 && m.ago_s >= -30 && MARKS[m.kind]);
  for (const m of seen.sort((a, b) => weight.indexOf(a.kind) - weight.indexOf(b.kind) || a.ago_s - b.ago_s)) {
    // At the ends a mark stays whole.
    const at = Math.min(100 - APART / 2, Math.max(APART / 2, 100 - m.ago_s / (STEPS / 10)));
    const row = rows.findIndex((r) => r.every((other) => Math.abs(other - at) >= APART));
    if (row < 0) continue;
    rows[row].push(at);
    out.push({ m, at, row });
  }
  return out;
}

/** render draws a history. */
export function render(plot, history) {
  const box = draw('svg', { class: 'stalks', viewBox: `0 0 ${STEPS} 100`, preserveAspectRatio: 'none', 'aria-hidden': 'true' });
  for (const [name, d] of Object.entries(paths(history))) if (d) box.append(draw('path', { class: name, d }));
  box.append(draw('path', { class: 'lines', d: `M0 ${100 - 10000 / TOP}H${STEPS}` }));
  const marks = placed(history.marks ?? []).map(({ m, at, row }) => {
    const mark = make('span', { class: row ? 'mark two' : 'mark', title: m.text }, shape(MARKS[m.kind]));
    mark.style.left = `${at}%`;
    return mark;
  });
  plot.replaceChildren(box, ...marks);
  plot.setAttribute('aria-label', told(history));
}
