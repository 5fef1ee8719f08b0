import { h } from '../../../../stages/report/web/src/dom.js';

const data = JSON.parse(document.getElementById('collection-data').textContent);
const ROW = 72; // px, as in page.css: what is out of sight is left out of the page

const KINDS = [
  ['good', 'ready', '\u2713'], ['check', 'to be looked at', '?'], ['reshoot', 'to be shot again', '!'], ['failed', 'failed', '\u2715'],
  ['changed', 'changed since', '\u21bb'], ['todo', 'to do', '\u00b7'], ['running', 'running', '\u25b6'],
];
const WORDS = new Map(KINDS.map(([kind, words, sign]) => [kind, `${sign} ${words}`]));
const RANK = new Map(['failed', 'reshoot', 'check', 'changed', 'todo', 'running', 'good'].map((kind, i) => [kind, i]));

const kindOf = (one) => (one.state === 'finished' ? one.verdict : one.state === 'to do' ? 'todo' : one.state);
const bare = (text) => text.replace(/[+-]?\d+([.,]\d+)?/g, '#');
const specimens = data.specimens.map((one, i) => {
  const causes = [...new Set([...(one.to_do ?? []).map((item) => bare(item.what)), ...(one.state === 'failed' && one.why ? [bare(one.why.split(': ').pop())] : [])])];
  return {
    ...one, i, kind: kindOf(one), causes, size: Math.max(one.width_mm ?? 0, one.height_mm ?? 0),
    text: [one.workspace, one.title, ...Object.values(one.record ?? {}), one.setup, one.sentence, one.why].filter(Boolean).join('\n').toLowerCase(),
  };
});

const seconds = (value) => (value >= 3600 ? `${(value / 3600).toFixed(1)} h` : value >= 90 ? `${Math.round(value / 60)} min` : `${value.toFixed(value < 10 ? 1 : 0)} s`);
const collator = new Intl.Collator(undefined, { numeric: true });
const byText = (get) => (a, b) => collator.compare(get(a), get(b));
const nameOf = (one) => one.record?.catalogue_number || one.title || one.workspace;
const ORDERS = {
  specimen: byText(nameOf), state: (a, b) => RANK.get(a.kind) - RANK.get(b.kind), size: (a, b) => a.size - b.size,
  setup: byText((one) => one.setup ?? ''), time: (a, b) => (a.seconds ?? 0) - (b.seconds ?? 0), date: byText((one) => one.date ?? ''),
};
// Sorted once an order: a filter only leaves out.
const sorted = new Map();
function inOrder(name) {
  if (!sorted.has(name)) sorted.set(name, [...specimens].sort((a, b) => ORDERS[name](a, b) || a.i - b.i));
  return sorted.get(name);
}

const wanted = { kind: '', setup: '', cause: '', words: [], order: 'specimen', down: false };
let shown = specimens;

function picked() {
  const fits = (one) => (!wanted.kind || one.kind === wanted.kind) && (!wanted.setup || one.setup === wanted.setup)
    && (!wanted.cause || one.causes.includes(wanted.cause)) && wanted.words.every((word) => one.text.includes(word));
  const list = inOrder(wanted.order).filter(fits);
  return wanted.down ? list.reverse() : list;
}

const sizeText = (one) => (one.size > 0 ? `${one.width_mm.toPrecision(3)} \u00d7 ${one.height_mm.toPrecision(3)} mm` : '');

function row(one) {
  const todo = one.to_do ?? [];
  const first = todo[0];
  const what = one.state === 'failed' ? one.why : first ? `${first.where}: ${first.what} ${first.remedy}` : one.why ?? '';
  return h('tr', { class: 'row', 'aria-rowindex': one.place + 2 },
    h('td', {}, one.picture ? h('img', { src: one.picture, alt: '', loading: 'eager', decoding: 'async' }) : null),
    h('th', { scope: 'row' }, h('div', {}, one.report ? h('a', { href: one.report }, nameOf(one)) : h('strong', {}, nameOf(one)),
      h('div', { class: 'sub' }, [one.record?.taxon, one.workspace].filter(Boolean).join(' \u00b7 ')))),
    h('td', {}, h('span', { class: `state ${one.kind}` }, WORDS.get(one.kind))),
    h('td', {}, h('div', { class: 'todo', title: what }, todo.length > 1 ? h('span', { class: 'sub' }, `1 of ${todo.length}: `) : null, what)),
    h('td', { class: 'number' }, sizeText(one)), h('td', {}, h('div', {}, one.setup ?? '', one.calibrated === false ? h('div', { class: 'sub' }, 'not calibrated') : null)),
    h('td', { class: 'number' }, one.seconds ? seconds(one.seconds) : ''), h('td', { class: 'number' }, (one.date ?? '').slice(0, 10)));
}

const body = h('tbody', {});
const COLUMNS = [['', '76px'], ['specimen', '21%'], ['state', '7rem'], ['To do', null], ['size', '8.6rem'], ['setup', '7rem'], ['time', '4.2rem'], ['date', '6.5rem']];
const heads = h('tr', {}, COLUMNS.map(([name]) => (name in ORDERS
  ? h('th', { scope: 'col', 'data-order': name }, h('button', { type: 'button', onclick: () => orderBy(name) }, name[0].toUpperCase() + name.slice(1), h('span', { 'aria-hidden': 'true' })))
  : name ? h('th', { scope: 'col' }, h('div', { class: 'plain' }, name)) : h('td', {}, h('span', { class: 'hidden' }, 'Picture')))));
const table = h('table', {}, h('caption', { class: 'hidden' }, 'Specimens'), h('colgroup', {}, COLUMNS.map(([, width]) => h('col', width ? { style: { width } } : {}))), h('thead', {}, heads), body);
const view = h('div', { class: 'window', tabindex: 0, role: 'region', 'aria-label': 'Table of specimens' }, table);
const said = h('span', { role: 'status', class: 'said' });

let drawn = [-1, -1];
function draw(force) {
  const first = Math.max(0, Math.floor(view.scrollTop / ROW) - 4);
  const last = Math.min(shown.length, first + Math.ceil((view.clientHeight || 800) / ROW) + 9);
  if (!force && drawn[0] === first && drawn[1] === last) return;
  drawn = [first, last];
  const space = (rows) => (rows > 0 ? h('tr', { class: 'space', 'aria-hidden': 'true' }, h('td', { colspan: COLUMNS.length, style: { height: `${rows * ROW}px` } })) : null);
  body.replaceChildren(...[space(first), ...shown.slice(first, last).map(row), space(shown.length - last)].filter(Boolean));
}

function update() {
  shown = picked();
  shown.forEach((one, place) => { one.place = place; });
  table.setAttribute('aria-rowcount', shown.length + 1);
  said.textContent = `${shown.length} of ${specimens.length} specimens`;
  for (const head of heads.children) {
    const own = head.dataset.order === wanted.order;
    if (head.dataset.order) head.setAttribute('aria-sort', own ? (wanted.down ? 'descending' : 'ascending') : 'none');
    if (head.dataset.order) head.querySelector('span').textContent = own ? (wanted.down ? ' \u2193' : ' \u2191') : '';
  }
  for (const button of document.querySelectorAll('button[data-kind]')) button.setAttribute('aria-pressed', button.dataset.kind === wanted.kind);
  for (const button of document.querySelectorAll('button[data-cause]')) button.setAttribute('aria-pressed', button.dataset.cause === wanted.cause);
  view.scrollTop = 0;
  draw(true);
}

function orderBy(name) {
  wanted.down = wanted.order === name && !wanted.down;
  wanted.order = name;
  update();
}
const toggle = (key, value) => { wanted[key] = wanted[key] === value ? '' : value; update(); };

function countsOf() {
  const number = new Map();
  for (const one of specimens) number.set(one.kind, (number.get(one.kind) ?? 0) + 1);
  return h('ul', { class: 'counts' }, KINDS.filter(([kind]) => number.has(kind)).map(([kind]) => h('li', {},
    h('button', { type: 'button', 'data-kind': kind, 'aria-pressed': 'false', onclick: () => toggle('kind', kind) }, `${number.get(kind)} `, h('span', { class: `state ${kind}` }, WORDS.get(kind))))));
}

function causes() {
  const number = new Map();
  for (const one of specimens) for (const cause of one.causes) number.set(cause, (number.get(cause) ?? 0) + 1);
  const list = [...number].sort((a, b) => b[1] - a[1]).slice(0, 8);
  if (list.length === 0) return null;
  return h('section', { 'aria-labelledby': 'causes-title' }, h('h2', { id: 'causes-title' }, 'What occurs most'),
    h('ul', { class: 'causes' }, list.map(([cause, count]) => h('li', {}, h('button', { type: 'button', 'data-cause': cause, 'aria-pressed': 'false', onclick: () => toggle('cause', cause) }, `${count} \u00d7 ${cause}`)))));
}

function throughput() {
  const done = specimens.filter((one) => one.state === 'finished' && one.seconds > 0);
  if (done.length === 0) return null;
  const times = done.map((one) => one.seconds).sort((a, b) => a - b);
  const total = times.reduce((sum, time) => sum + time, 0);
  const images = done.reduce((sum, one) => sum + (one.images ?? 0), 0);
  const days = new Map();
  for (const one of done) days.set((one.date ?? '').slice(0, 10), (days.get((one.date ?? '').slice(0, 10)) ?? 0) + 1);
  const latest = [...days].sort().slice(-7);
  return h('section', { 'aria-labelledby': 'time-title' }, h('h2', { id: 'time-title' }, 'Throughput'),
    h('p', {}, `A specimen takes ${seconds(times[Math.floor(times.length / 2)])} of run time (median; longest ${seconds(times[times.length - 1])}), an image ${seconds(total / Math.max(1, images))}. Finished: ${latest.map(([day, count]) => `${count} on ${day}`).join(', ')}.`));
}

const findings = () => (data.findings.length === 0 ? null : h('section', { 'aria-labelledby': 'findings-title' }, h('h2', { id: 'findings-title' }, 'Records and setups'),
  h('ul', { class: 'findings' }, data.findings.map((one) => h('li', {}, `${one.what} ${one.remedy}`)))));

function switchTheme() {
  const dark = getComputedStyle(document.documentElement).colorScheme === 'dark';
  document.documentElement.dataset.theme = dark ? 'light' : 'dark';
}

const setups = [...new Set(specimens.map((one) => one.setup).filter(Boolean))].sort();
const search = h('input', { type: 'search', oninput: () => { wanted.words = search.value.toLowerCase().split(/\s+/).filter(Boolean); update(); } });
const bySetup = h('select', { onchange: () => { wanted.setup = bySetup.value; update(); } }, h('option', { value: '' }, 'all'), setups.map((name) => h('option', { value: name }, name)));

document.title = `${data.title}: ${specimens.length} specimens`;
document.getElementById('page').replaceWith(
  h('a', { class: 'skip', href: '#main' }, 'Skip to the specimens'),
  h('header', { class: 'top' }, h('div', { class: 'top-row' }, h('p', { class: 'title' }, data.title, data.date ? h('span', {}, ` \u00b7 ${data.date}`) : null),
    h('button', { type: 'button', class: 'theme', onclick: switchTheme }, 'Dark / light')),
  h('h1', {}, `${specimens.length} specimens`), countsOf()),
  h('main', { id: 'main', tabindex: -1 },
    h('section', { 'aria-label': 'Specimens' }, h('div', { class: 'tools' }, h('label', {}, 'Search', search), h('label', {}, 'Setup', bySetup), said), view),
    causes(), throughput(), findings()),
  h('footer', {}, h('p', {}, 'The same is in ', h('a', { href: 'collection.json' }, 'collection.json'), ' and ', h('a', { href: 'collection.csv' }, 'collection.csv'),
    ' beside this page. To see or mend a specimen: trunnion desk WORKSPACE.')));

view.addEventListener('scroll', () => draw(false), { passive: true });
addEventListener('resize', () => draw(true));
update();
