// Elements are only ever built from values, never from markup: text of the user stays text.

const SVG = 'http://www.w3.org/2000/svg';

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (name === 'style') for (const [k, v] of Object.entries(value)) element.style.setProperty(k, v);
    else element.setAttribute(name, value === true ? '' : String(value));
  }
  for (const child of children.flat(Infinity)) {
    if (child !== null && child !== undefined && child !== false) element.append(child);
  }
  return element;
}

export const h = (tag, attributes, ...children) =>
  fill(document.createElement(tag), attributes, children);
export const s = (tag, attributes, ...children) =>
  fill(document.createElementNS(SVG, tag), attributes, children);

export const colour = (name) =>
  getComputedStyle(document.documentElement).getPropertyValue(name).trim();
