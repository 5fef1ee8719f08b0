import { h, s } from './dom.js';
import { STATES, byId, ordered, report } from './model.js';
import { ringSection } from './ring.js';
import { open } from './viewer.js';
import { detailSections } from './details.js';

// The whole set in one small sign: a tick a station, standing out where something is wrong.
function seal() {
  const count = ordered.length || 1;
  return s('svg', { viewBox: '0 0 100 100', class: 'seal', 'aria-hidden': 'true' }, ordered.map((station, i) => {
    const turn = (i / count) * 2 * Math.PI;
    const [from, to] = station.state === 'fine' ? [34, 42] : [26, 49];
    return s('line', { x1: 50 + from * Math.sin(turn), y1: 50 - from * Math.cos(turn), x2: 50 + to * Math.sin(turn), y2: 50 - to * Math.cos(turn), class: station.state, 'stroke-width': Math.min(5, 160 / count) });
  }));
}

// The same thing at many stations is one thing to do: alike but for their numbers.
function grouped(items) {
  const bare = (text) => text.replace(/[+-]?\d+([.,]\d+)?/g, '#');
  const groups = new Map();
  for (const item of items) {
    const alike = item.anchor ? [item.severity, bare(item.what), bare(item.remedy)].join('\n') : item;
    if (!groups.has(alike)) groups.set(alike, []);
    groups.get(alike).push(item);
  }
  return [...groups.values()].flatMap((list) => (list.length > 2 ? [list] : list.map((item) => [item])));
}

function place(item) {
  const station = byId.get(item.anchor);
  if (!station) return h('strong', {}, item.where);
  return h('a', { href: `#${item.anchor}`, onclick: (event) => { event.preventDefault(); open(station, event.currentTarget); } }, item.where);
}

function toDo(items) {
  const [item] = items;
  return h('li', { class: items.length > 1 ? `${item.severity} many` : item.severity },
    h('span', { class: 'badge' }, STATES[item.severity].sign, h('span', { class: 'hidden' }, ` ${STATES[item.severity].word}: `)),
    items.length === 1 ? place(item) : h('span', { class: 'places' }, items.map((one) => [place(one), ' '])),
    h('span', { class: 'what' }, item.what, items.some((one) => one.what !== item.what) ? ` (${item.where}; the others are similar)` : ''),
    h('span', { class: 'remedy' }, item.remedy));
}

function header() {
  const { judgement } = report;
  const theme = h('button', { type: 'button', class: 'theme', onclick: switchTheme }, 'Dark / light');
  return h('header', { class: `top ${judgement.verdict}` },
    h('div', { class: 'top-row' }, h('p', { class: 'title' }, report.title || 'Untitled set', report.date ? h('span', {}, ` \u00b7 ${report.date}`) : null), theme),
    h('div', { class: 'verdict' }, seal(), h('h1', {}, judgement.sentence)),
    judgement.to_do.length > 0 ? h('div', {}, h('h2', { class: 'hidden' }, 'To do'), h('ol', { class: 'to-do' }, grouped(judgement.to_do).map(toDo))) : null,
    judgement.notes.length > 0 ? h('details', { class: 'notes' }, h('summary', {}, `${judgement.notes.length} ${judgement.notes.length === 1 ? 'note' : 'notes'}, nothing to do`),
      h('ul', {}, grouped(judgement.notes).map((notes) => h('li', {}, notes.map((note) => [place(note), ' ']), notes[0].what, ' ', notes[0].remedy)))) : null);
}

function switchTheme() {
  const dark = getComputedStyle(document.documentElement).colorScheme === 'dark';
  document.documentElement.dataset.theme = dark ? 'light' : 'dark';
  document.dispatchEvent(new Event('themechange'));
}

// Canvases keep the colours they were drawn in: on paper those of the light theme.
matchMedia('print').addEventListener('change', (event) => {
  const root = document.documentElement;
  if (event.matches) {
    root.dataset.before = root.dataset.theme ?? '';
    root.dataset.theme = 'light';
  } else if (root.dataset.before) root.dataset.theme = root.dataset.before;
  else delete root.dataset.theme;
  document.dispatchEvent(new Event('themechange'));
});

document.title = `${report.title || 'Untitled set'}: ${report.judgement.sentence}`;
document.getElementById('page').replaceWith(
  h('a', { class: 'skip', href: '#main' }, 'Skip to the rings'),
  header(),
  h('main', { id: 'main', tabindex: -1 }, ringSection(open), detailSections(open)),
  h('footer', {}, h('p', {}, 'Everything shown here is also in ', h('a', { href: 'report.json' }, 'report.json'), ' beside this page.')));

const wantedStation = byId.get(location.hash.slice(1));
if (wantedStation) open(wantedStation);
