import { h } from '../../../../stages/report/web/src/dom.js';
import { get, listen, post } from './api.js';
import { setPanel, stationPanel } from './panel.js';
import { makeStage } from './stage.js';

let state = null;
let chosen = decodeURIComponent(location.hash.slice(1)) || null;
let onlyDoubtful = false;

const run = h('p', { class: 'run', role: 'status' });
const said = h('p', { class: 'fault-text said', role: 'alert' });
const verdict = h('h1', {}, 'The set is being prepared for the first time.');
const list = h('ol', { class: 'stations-list', id: 'stations', tabindex: -1 });
const panel = h('aside', { class: 'panel', 'aria-label': 'Station and set' });
const tell = (text) => { said.textContent = text; };

const stage = makeStage({
  painted: async (stroke) => {
    const { view, paint, fill, radius_px, points } = stroke;
    await post('/paint', { view, paint, fill, radius_px, points: points.map(([x, y]) => [Math.round(x * 10) / 10, Math.round(y * 10) / 10]) });
    stroke.saved = true;
  },
  said: tell,
});

const all = () => [...state.views, ...state.gaps.map((gap) => ({ ...gap, name: gap.anchor, gap: true }))];
const stateOf = (station) => {
  const items = state.to_do.filter((item) => item.anchor === station.anchor);
  return station.gap || items.some((item) => item.severity === 'fault') ? 'fault' : items.length > 0 ? 'doubt' : 'fine';
};
const listed = () => all().filter((station) => !onlyDoubtful || stateOf(station) !== 'fine');

function choose(name, focus = false) {
  chosen = name;
  history.replaceState(null, '', `#${encodeURIComponent(name)}`);
  tell('');
  render();
  if (focus) list.querySelector('[aria-current]')?.focus();
}
function step(by, doubtful) {
  const stations = doubtful ? all().filter((station) => stateOf(station) !== 'fine' || station.name === chosen) : listed();
  if (stations.length === 0) return;
  const here = stations.findIndex((station) => station.name === chosen);
  choose(stations[(here + by + stations.length) % stations.length].name);
}

const tools = {};
function tool(name, text, key, paint) {
  tools[name] = h('button', { type: 'button', 'aria-pressed': 'false', title: `Key ${key}`, onclick: () => take(name, paint) }, text);
  tools[name].paint = paint;
  return tools[name];
}
function take(name) {
  for (const [each, button] of Object.entries(tools)) button.setAttribute('aria-pressed', String(each === name));
  stage.paintWith(tools[name].paint);
}
const size = h('input', { type: 'range', min: 0, max: 100, value: 45, 'aria-label': 'Brush radius', oninput: () => brush() });
const sizeText = h('output', {});
function brush() {
  stage.brush.radius = Math.round(10 ** (Number(size.value) / 100 * 2.5) * 10) / 10;
  sizeText.textContent = `${stage.brush.radius} px`;
}
function toggle(text, key, initial, change) {
  const button = h('button', { type: 'button', 'aria-pressed': String(initial), title: `Key ${key}`, onclick: () => {
    const on = button.getAttribute('aria-pressed') !== 'true';
    button.setAttribute('aria-pressed', String(on));
    change(on);
  } }, text);
  return button;
}
const layer = (text, key, name, initial) => toggle(text, key, initial, (on) => { stage.shown[name] = on; stage.refresh(); });
const buttons = {
  before: layer('Before', 'B', 'before', false), mask: layer('Mask', 'M', 'mask', true), residuals: layer('Residuals', 'R', 'residuals', false), spots: layer('Dust', 'D', 'spots', false),
  fill: toggle('Fill by contrast', 'F', false, (on) => { stage.brush.fill = on; }),
};
async function history_(path) {
  if (!chosen || state?.read_only) return;
  try { if (!(await post(path, { view: chosen })).changed) tell('There is nothing more of this page to take back or repeat here.'); } catch (error) { tell(error.message); }
}

const toolbar = h('div', { class: 'tools', role: 'toolbar', 'aria-label': 'Tools' },
  h('span', { class: 'group mend' }, tool('look', 'Look', 'V', null), tool('add', 'Add', 'A', 'add'), tool('subtract', 'Subtract', 'S', 'subtract'), tool('erase', 'Erase paint', 'E', 'erase'), buttons.fill),
  h('span', { class: 'group mend' }, size, sizeText, h('button', { type: 'button', title: 'Key Ctrl+Z', onclick: () => history_('/undo') }, 'Undo'), h('button', { type: 'button', title: 'Key Ctrl+Y', onclick: () => history_('/redo') }, 'Redo')),
  h('span', { class: 'group' }, Object.entries(buttons).filter(([name]) => name !== 'fill').map(([, button]) => button)),
  h('span', { class: 'group' }, h('button', { type: 'button', title: 'Key +', onclick: () => stage.zoom(1.5), 'aria-label': 'Zoom in' }, '+'), h('button', { type: 'button', title: 'Key -', onclick: () => stage.zoom(1 / 1.5), 'aria-label': 'Zoom out' }, '\u2212'),
    h('button', { type: 'button', title: 'Key 1', onclick: () => stage.hundred() }, '100 %'), h('button', { type: 'button', title: 'Key 0', onclick: () => stage.fit() }, 'Fit')));

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const KEYS = {
  v: () => take('look'), a: () => take('add'), s: () => take('subtract'), e: () => take('erase'), f: () => buttons.fill.click(), b: () => buttons.before.click(), m: () => buttons.mask.click(),
  r: () => buttons.residuals.click(), d: () => buttons.spots.click(), '+': () => stage.zoom(1.5), '-': () => stage.zoom(1 / 1.5), 1: () => stage.hundred(), 0: () => stage.fit(),
  n: () => step(1, true), p: () => step(-1, true), '[': () => { size.value = Number(size.value) - 5; brush(); }, ']': () => { size.value = Number(size.value) + 5; brush(); },
};
stage.element.addEventListener('keydown', (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const arrow = ARROWS[event.key];
  if (arrow) {
    const times = event.shiftKey ? 5 : 1;
    if (stage.brush.paint) stage.move(arrow[0] * times, arrow[1] * times); else stage.pan(arrow[0] * times, arrow[1] * times);
  } else if (event.key === ' ' && stage.brush.paint) stage.dip();
  else if (KEYS[event.key.toLowerCase()] && !(state?.read_only && 'ase[]f'.includes(event.key.toLowerCase()))) KEYS[event.key.toLowerCase()]();
  else return;
  event.preventDefault();
});
document.addEventListener('keydown', (event) => {
  if (!(event.ctrlKey || event.metaKey) || /^(input|textarea)$/i.test(event.target.tagName) && event.target.type === 'text') return;
  const key = event.key.toLowerCase();
  if (key === 'z' || key === 'y') { event.preventDefault(); history_(key === 'y' || event.shiftKey ? '/redo' : '/undo'); }
});

function renderList() {
  const stations = listed();
  list.replaceChildren(...stations.map((station) => {
    const of = stateOf(station);
    return h('li', {}, h('button', { type: 'button', class: of, 'aria-current': station.name === chosen ? 'true' : null, 'data-name': station.name, onclick: () => choose(station.name) },
      station.gap ? h('span', { class: 'gap-sign', 'aria-hidden': 'true' }, '\u00d7') : h('img', { src: `/${station.small}?of=${station.stamps.after}`, alt: '', loading: 'lazy' }),
      h('span', {}, `${station.ring} ${station.station}`), of === 'fine' ? null : h('span', { class: 'sign' }, of === 'fault' ? '! faulty' : '? check')));
  }));
  if (stations.length === 0) list.append(h('li', {}, 'No station is in doubt.'));
}

// What a person writes at this moment stays.
const busy = () => panel.contains(document.activeElement) && document.activeElement.matches('input');

function render() {
  if (!state?.views) return;
  verdict.textContent = state.sentence;
  document.body.className = `desk ${state.verdict}${state.read_only ? ' read-only' : ''}`;
  document.title = `${state.title}: desk`;
  const stations = all();
  if (!stations.some((station) => station.name === chosen)) chosen = (stations.find((station) => stateOf(station) !== 'fine') ?? stations[0])?.name ?? null;
  const station = stations.find((each) => each.name === chosen);
  const within = list.contains(document.activeElement);
  renderList();
  if (within) list.querySelector('[aria-current]')?.focus({ preventScroll: true });
  if (!station) return;
  if (!busy()) panel.replaceChildren(...[stationPanel(station, state), ...setPanel(state)].filter(Boolean));
  stage.element.setAttribute('aria-label', `Image of ${station.ring} ${station.station}. Arrow keys move it; with a brush they move the brush, and the space bar puts it down and lifts it.`);
  stage.element.hidden = Boolean(station.gap);
  if (!station.gap) {
    stage.show(station);
    get(`/view?name=${encodeURIComponent(station.name)}`).then((json) => { if (json && json.name === chosen) stage.details(json); }).catch(() => {});
  }
}

let asked = false;
let again = false;
async function load() {
  if (asked) { again = true; return; }
  asked = true;
  try { state = await get('/state'); render(); } catch (error) { tell(error.message); }
  asked = false;
  if (again) { again = false; load(); }
}

let stageBefore = null;
function showState(progress) {
  run.textContent = progress.error ? progress.error : progress.running ? `Preparing${progress.stage ? `: ${progress.stage}${progress.total ? ` ${progress.done} of ${progress.total}` : ''}` : ''}` : 'Everything is prepared.';
  run.classList.toggle('fault-text', Boolean(progress.error));
  document.documentElement.dataset.running = String(progress.running);
  const now = `${progress.running} ${progress.stage}`;
  if (now !== stageBefore) load().then(() => { if (!progress.running) stage.settled(); });
  stageBefore = now;
}

brush();
document.getElementById('page').replaceWith(
  h('a', { class: 'skip', href: '#stations', onclick: (event) => { event.preventDefault(); list.querySelector('button')?.focus(); } }, 'Skip to the stations'),
  h('header', { class: 'bar' }, verdict, h('div', { class: 'bar-row' }, run, h('nav', { 'aria-label': 'Other pages' }, h('a', { href: '/report/index.html' }, 'Report'), ' ', h('a', { href: '/shoot-again' }, 'Shoot again'))), said),
  h('main', { class: 'desk-grid' },
    h('nav', { class: 'side', 'aria-label': 'Stations' },
      h('p', { class: 'side-row' }, h('button', { type: 'button', title: 'Key P', onclick: () => step(-1, false) }, 'Previous'), h('button', { type: 'button', title: 'Key N', onclick: () => step(1, false) }, 'Next')),
      h('p', {}, h('label', {}, h('input', { type: 'checkbox', onchange: (event) => { onlyDoubtful = event.target.checked; render(); } }), ' Only those to check')), list),
    h('section', { class: 'work', 'aria-label': 'Image' }, toolbar, stage.element), panel));
take('look');
listen(showState, () => tell('The desk does not answer; is it still running?'));
load();
