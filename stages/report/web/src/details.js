// Everything below the rings: for M1 the facts only.
import { h } from './dom.js';
import { report } from './model.js';

export function detailSections() {
  return [h('section', { 'aria-labelledby': 'methods-title' }, h('h2', { id: 'methods-title' }, 'For a methods section'), h('p', { class: 'methods' }, report.methods))];
}
