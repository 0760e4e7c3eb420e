// The view Day: what happened, newest first, and what can be downloaded.

import { $, make, shape } from './dom.js';
import { ask } from './api.js';
import { RANK, STATE } from './words.js';
import { clock } from './units.js';

const KINDS = { prompt: ['prompt', 'Advice'], verdict: ['same', 'Outcome'], setting: ['setting', 'Setting'], check: ['check', 'Check'], note: ['note', 'Note'] };
const OUTCOMES = { better: 'better', worse: 'worse' };

function line(it) {
  const [name, kind] = it.kind === 'alert' ? [it.priority || 'low', RANK[it.priority] ?? 'Alert'] : KINDS[it.kind] ?? ['note', it.kind];
  const state = it.kind === 'verdict' ? '' : STATE[it.state] ?? it.state;
  return make('li', {}, make('time', { datetime: it.time ?? null }, clock(it.time)), shape(OUTCOMES[it.state] ?? name),
    make('div', {}, make('p', {}, make('b', {}, kind), ` ${it.text}`), make('p', {}, [state, it.detail].filter(Boolean).join(' · '))));
}

/** dated puts a line with the date before what is of another day than the one above it. */
function dated(items) {
  let above = new Date().toDateString();
  return items.flatMap((it) => {
    const t = it.time ? new Date(it.time) : null;
    const lines = [line(it)];
    if (t && !isNaN(t) && t.toDateString() !== above) {
      above = t.toDateString();
      lines.unshift(make('li', { class: 'date' }, t.toLocaleDateString('en-GB', { weekday: 'long', day: 'numeric', month: 'long', year: 'numeric' })));
    }
    return lines;
  });
}

/** start builds the view. */
export function start() {
  $('view-day').append(make('ul', { class: 'thread', id: 'thread', 'aria-label': 'Newest first' }), make('h2', {}, 'Downloads'), make('ul', { class: 'links', id: 'downloads' }));
}

/** open fetches the day anew. */
export async function open() {
  const list = $('thread');
  try {
    const day = await ask('GET', 'day');
    const items = day?.items ?? [];
    list.replaceChildren(...(items.length ? dated(items) : [make('li', {}, '', '', make('p', {}, 'Nothing yet.'))]));
  } catch (trouble) {
    list.replaceChildren(make('li', {}, '', '', make('p', {}, trouble.message)));
  }
  const links = $('downloads');
  try {
    const all = await ask('GET', 'downloads');
    links.replaceChildren(...(all.length ? all.flatMap((d, i) => [
      ...(d.group && d.group !== all[i - 1]?.group ? [make('li', {}, make('b', {}, d.group))] : []),
      make('li', {}, make('a', { class: 'button', href: d.href, download: d.name }, d.words || d.name)),
    ]) : [make('li', {}, 'Nothing to download yet.')]));
  } catch {
    links.replaceChildren(make('li', {}, 'Nothing to download now.'));
  }
}
