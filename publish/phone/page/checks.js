// The view Checks: what the operator looks at, with the machine stopped.

import { $, flag, make, say, show } from './dom.js';
import { ask } from './api.js';
import { WHY } from './words.js';
import * as ground from './ground.js';

const CAUTION = 'Before you get down: drives off, header down, engine off, key out. Wait until all has stopped; rotor and chopper run on for a minute or more. '
  + 'Nobody in the tank, under a raised header or behind a moving machine. The operator’s manual comes first.';

const GRADES = [['none', 'None'], ['little', 'Little'], ['some', 'Some'], ['much', 'Much']];
const MIXES = [['clean grain', 'Clean grain'], ['heads', 'Heads or pods'], ['chaff', 'Chaff'], ['mixed', 'All of it']];

/** choices is a row of big answers, of which one is taken. */
export function choices(words, name, all, two) {
  return make('fieldset', {}, make('legend', {}, words), make('div', { class: two ? 'choices two' : 'choices' },
    ...all.map(([value, text]) => make('label', { class: 'choice' }, make('input', { type: 'radio', name, value }), make('span', {}, text)))));
}

export const grades = (words, name) => choices(words, name, GRADES);

/** form is a panel that is sent as one check. */
function form(name, head, lead, parts, collect, tell) {
  const answer = make('p', { class: 'answer', role: 'status' });
  const send = make('button', { type: 'submit', class: 'main' }, 'Save');
  const node = make('form', { id: `check-${name}`, novalidate: true }, make('p', {}, lead), ...parts, send, answer);
  node.addEventListener('submit', async (e) => {
    e.preventDefault();
    flag(answer, 'data-wrong', null);
    try {
      const body = collect(node);
      send.disabled = true;
      say(answer, 'Sending');
      const result = await ask('POST', 'check', { [name]: body });
      answer.replaceChildren(...tell(result));
      node.reset();
      node.dispatchEvent(new Event('cleared'));
    } catch (trouble) {
      flag(answer, 'data-wrong', true);
      say(answer, trouble.message);
    }
    send.disabled = false;
  });
  return make('details', { class: 'panel', id: `box-${name}` }, make('summary', {}, make('h2', {}, head), make('span', { class: 'due' })), node);
}

const thanks = (result) => [result?.text || 'Noted, thank you.'];

const chosen = (node, names) => {
  const data = new FormData(node);
  const out = Object.fromEntries(names.map((n) => [n, data.get(n)]).filter(([, v]) => v));
  if (!Object.keys(out).length) throw new Error('Choose an answer first.');
  return out;
};

/** start builds the view. */
export function start() {
  $('view-checks').append(
    make('p', { class: 'caution', id: 'checks-caution' }, CAUTION),
    make('p', { id: 'checks-role', hidden: true }, 'This phone may look only.'),
    form('tank', 'Tank sample', 'Look at a handful from the tank, never while anything turns. Little is as it should be at most; some is more than it should be. For malt or seed, skinned kernels are broken ones.',
      [grades('Broken grain', 'broken'), grades('Trash', 'trash'), grades('Unthreshed heads', 'unthreshed')],
      (node) => chosen(node, ['broken', 'trash', 'unthreshed']), thanks),
    form('ground', 'Ground count', ground.LEAD, ground.parts(), ground.collect, ground.tell),
    form('returns', 'Returns', 'From the seat only through a window or display. What is it mostly?',
      [choices('Mostly', 'mostly', MIXES, true)], (node) => chosen(node, ['mostly']), thanks),
  );
  ground.start($('check-ground'));
}

/** render marks what is wanted, and unfolds it once. */
export function render(s, me) {
  for (const name of ['tank', 'ground', 'returns']) {
    const box = $(`box-${name}`);
    const wanted = s.checks.find((c) => c.check === name);
    if (wanted && box.dataset.due !== wanted.id) box.open = true;
    flag(box, 'data-due', wanted ? wanted.id : null);
    say(box.querySelector('.due'), wanted ? `Wanted now. ${WHY[wanted.why] ?? ''}` : '');
    show(box, me?.role !== 'look');
  }
  show($('checks-role'), me?.role === 'look');
}
