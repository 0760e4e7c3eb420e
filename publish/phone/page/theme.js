// Day and night: as the phone has it, until the button says otherwise.

import { $, keep, kept, reshape, say } from './dom.js';

const dark = matchMedia('(prefers-color-scheme: dark)');

let wanted = kept('theme');

function put() {
  const night = (wanted ?? (dark.matches ? 'night' : 'day')) === 'night';
  document.documentElement.dataset.theme = night ? 'night' : 'day';
  document.querySelector('meta[name=theme-color]').content = night ? '#0d0e0c' : '#fbf8f1';
  const button = $('theme');
  reshape(button.firstElementChild, night ? 'sun' : 'moon');
  say(button.lastElementChild, night ? 'Day' : 'Night');
}

export function start() {
  dark.addEventListener('change', put);
  $('theme').addEventListener('click', () => {
    wanted = document.documentElement.dataset.theme === 'night' ? 'day' : 'night';
    keep('theme', wanted);
    put();
  });
  put();
}
