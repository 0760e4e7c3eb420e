// Day and night: as the phone has it, until the button says otherwise.

import { $, reshape, say } from './dom.js';

const dark = matchMedia('(prefers-color-scheme: dark)');

function put() {
  const night = (localStorage.getItem('theme') ?? (dark.matches ? 'night' : 'day')) === 'night';
  document.documentElement.dataset.theme = night ? 'night' : 'day';
  document.querySelector('meta[name=theme-color]').content = night ? '#0d0e0c' : '#fbf8f1';
  const button = $('theme');
  reshape(button.firstElementChild, night ? 'sun' : 'moon');
  say(button.lastElementChild, night ? 'Day' : 'Night');
}

export function start() {
  dark.addEventListener('change', put);
  $('theme').addEventListener('click', () => {
    localStorage.setItem('theme', document.documentElement.dataset.theme === 'night' ? 'day' : 'night');
    put();
  });
  put();
}
