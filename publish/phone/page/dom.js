// Making and changing elements. Text goes in as text, never as HTML: names and
// words come from a bus that anyone may have written to.

export const $ = (id) => document.getElementById(id);

/** kept is what this phone keeps under a name, or null; keep keeps it where it can. */
export const kept = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
export const keep = (name, value) => { try { localStorage.setItem(name, value); } catch { /* full or refused: until the page closes */ } };

/** make builds an element: properties, then children (nodes or text). */
export function make(tag, props = {}, ...kids) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith('on')) node.addEventListener(key.slice(2), value);
    else node.setAttribute(key, value === true ? '' : value);
  }
  node.append(...kids.filter((k) => k !== null && k !== undefined));
  return node;
}

const SVG = 'http://www.w3.org/2000/svg';

/** draw builds an SVG element. */
export function draw(tag, props = {}, ...kids) {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(props)) node.setAttribute(key, value);
  node.append(...kids);
  return node;
}

/** shape is one of the symbols of index.html. */
export const shape = (name, props = {}) => draw('svg', { 'aria-hidden': 'true', ...props }, draw('use', { href: `#i-${name}` }));

/** reshape makes a shape another one. */
export function reshape(svg, name) {
  const use = svg.firstElementChild;
  if (use.getAttribute('href') !== `#i-${name}`) use.setAttribute('href', `#i-${name}`);
}

/** say sets text if it is another: what stays the same is not touched. */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** flag sets or removes an attribute. */
export function flag(node, name, value) {
  if (value === false || value === null || value === undefined) node.removeAttribute(name);
  else if (node.getAttribute(name) !== String(value === true ? '' : value)) node.setAttribute(name, value === true ? '' : value);
}

/** show shows or hides. */
export const show = (node, is) => { if (node.hidden === is) node.hidden = !is; };
