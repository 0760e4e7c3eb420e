// The view that makes a phone known to the program.

import { $, flag, say } from './dom.js';
import { ask } from './api.js';

/** code is the six digits in an address like #pair=482913, or nothing. */
export const code = (hash) => /^#pair=(\d{6})$/.exec(hash)?.[1] ?? '';

/** start wires the form; paired is called when the phone is known. */
export function start(paired) {
  const form = $('pair');
  const answer = form.querySelector('.answer');
  form.addEventListener('submit', async (e) => {
    e.preventDefault();
    const button = form.querySelector('button');
    button.disabled = true;
    flag(answer, 'data-wrong', null);
    say(answer, 'Sending');
    try {
      await ask('POST', 'pair', { code: $('pair-code').value.trim(), name: $('pair-name').value.trim() });
      say(answer, '');
      form.reset();
      paired();
    } catch (trouble) {
      flag(answer, 'data-wrong', true);
      say(answer, trouble.message);
      $('pair-code').focus();
    }
    button.disabled = false;
  });
}

/** fill takes the code from the address and leaves none in it; it tells whether there was one. */
export function fill() {
  const digits = code(location.hash);
  if (!digits) return false;
  $('pair-code').value = digits;
  history.replaceState(null, '', location.pathname);
  return true;
}
