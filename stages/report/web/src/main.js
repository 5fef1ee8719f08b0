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

function toDo(item) {
  const station = byId.get(item.anchor);
  return h('li', { class: item.severity },
    h('span', { class: 'badge' }, STATES[item.severity].sign, h('span', { class: 'hidden' }, ` ${STATES[item.severity].word}: `)),
    station
      ? h('a', { href: `#${item.anchor}`, onclick: (event) => { event.preventDefault(); open(station, event.currentTarget); } }, item.where)
      : h('strong', {}, item.where),
    h('span', { class: 'what' }, item.what), h('span', { class: 'remedy' }, item.remedy));
}

function header() {
  const { judgement } = report;
  const theme = h('button', { type: 'button', class: 'theme', onclick: switchTheme }, 'Dark / light');
  return h('header', { class: `top ${judgement.verdict}` },
    h('div', { class: 'top-row' }, h('p', { class: 'title' }, report.title || 'Untitled set', report.date ? h('span', {}, ` \u00b7 ${report.date}`) : null), theme),
    h('div', { class: 'verdict' }, seal(), h('h1', {}, judgement.sentence)),
    judgement.to_do.length > 0 ? h('div', {}, h('h2', { class: 'hidden' }, 'To do'), h('ol', { class: 'to-do' }, judgement.to_do.map(toDo))) : null,
    judgement.notes.length > 0 ? h('details', { class: 'notes' }, h('summary', {}, `${judgement.notes.length} ${judgement.notes.length === 1 ? 'note' : 'notes'}, nothing to do`),
      h('ul', {}, judgement.notes.map((note) => h('li', {}, h('strong', {}, note.where), ' ', note.what, ' ', note.remedy)))) : null);
}

function switchTheme() {
  const dark = getComputedStyle(document.documentElement).colorScheme === 'dark';
  document.documentElement.dataset.theme = dark ? 'light' : 'dark';
  document.dispatchEvent(new Event('themechange'));
}

document.title = `${report.title || 'Untitled set'}: ${report.judgement.sentence}`;
document.getElementById('page').replaceWith(
  h('a', { class: 'skip', href: '#main' }, 'Skip to the rings'),
  header(),
  h('main', { id: 'main', tabindex: -1 }, ringSection(open), detailSections(open)),
  h('footer', {}, h('p', {}, 'Everything shown here also stands in ', h('a', { href: 'report.json' }, 'report.json'), ' beside this page.')));

const wantedStation = byId.get(location.hash.slice(1));
if (wantedStation) open(wantedStation);
