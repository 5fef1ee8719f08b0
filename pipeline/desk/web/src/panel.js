// Beside the image: what is said of the station, and what a person decides about it.
import { h } from '../../../../stages/report/web/src/dom.js';
import { post } from './api.js';

const SIGNS = { fault: '!', doubt: '?', note: '' };
const WORDS = { fault: 'Fault', doubt: 'To check', note: 'Note' };

function reasonForm(label, button, send) {
  const field = h('input', { type: 'text', required: true, maxlength: 500, 'aria-label': label, placeholder: 'Reason' });
  const said = h('p', { role: 'alert', class: 'fault-text' });
  return h('form', { class: 'reason', onsubmit: async (event) => {
    event.preventDefault();
    try { await send(field.value.trim()); } catch (error) { said.textContent = error.message; }
  } }, field, h('button', { type: 'submit' }, button), said);
}

function finding(item, readOnly) {
  return h('li', { class: item.severity },
    h('span', { class: 'badge', 'aria-hidden': 'true' }, SIGNS[item.severity]),
    h('div', {}, h('p', {}, h('strong', {}, `${WORDS[item.severity]}: `), item.what), h('p', { class: 'remedy' }, item.remedy),
      item.severity === 'doubt' && !readOnly
        ? h('details', {}, h('summary', {}, 'Accept this doubt'), reasonForm('Reason for accepting this doubt', 'Accept', (reason) => post('/accept', { view: item.view, where: item.where, doubt: item.what, reason })))
        : null));
}

export function stationPanel(station, state) {
  const items = [...state.to_do, ...state.notes].filter((item) => item.anchor === station.anchor);
  return h('section', { 'aria-labelledby': 'station-title' }, h('h2', { id: 'station-title' }, `${station.ring} ${station.station}`),
    h('p', { class: 'soft' }, `Stage angle ${station.stage_angle_deg.toFixed(2)}\u00b0. ${station.gap ? 'No usable image.' : `Pose: ${station.pose_state}.`} ${station.source_file ?? station.file ?? ''}`),
    items.length > 0 ? h('ul', { class: 'findings' }, items.map((item) => finding(item, state.read_only))) : h('p', {}, 'Nothing is said of this station.'),
    state.read_only ? null : h('details', {}, h('summary', {}, 'Exclude this station'),
      h('p', {}, 'It is left out as if it had not been planned. Its file stays.'),
      reasonForm('Reason for excluding this station', 'Exclude', (reason) => post('/exclude', { ring: station.ring, station: station.station, reason }))));
}

export function setPanel(state) {
  const whole = state.to_do.filter((item) => !item.anchor);
  const { excluded, accepted } = state.review;
  const back = (path, body, label) => (state.read_only ? null : h('button', { type: 'button', 'aria-label': label, onclick: () => post(path, body) }, 'Take back'));
  return [
    whole.length > 0 ? h('section', { 'aria-labelledby': 'set-title' }, h('h2', { id: 'set-title' }, 'Of the whole set'), h('ul', { class: 'findings' }, whole.map((item) => finding(item, state.read_only)))) : null,
    excluded.length + accepted.length > 0 ? h('section', { 'aria-labelledby': 'decided-title' }, h('h2', { id: 'decided-title' }, 'Decisions'), h('ul', { class: 'findings' },
      excluded.map((one) => h('li', {}, h('div', {}, h('p', {}, h('strong', {}, `${one.ring} ${one.station} excluded: `), `${one.reason} (${one.date})`), back('/include', { ring: one.ring, station: one.station }, `Take back: ${one.ring} ${one.station} excluded`)))),
      accepted.map((one, index) => h('li', {}, h('div', {}, h('p', {}, h('strong', {}, `Doubt accepted, ${one.station === undefined ? one.file ?? 'whole set' : `${one.ring} ${one.station}`}: `), one.doubt), h('p', {}, `${one.reason} (${one.date})`), back('/retract', { index }, `Take back: doubt accepted, ${one.doubt}`)))))) : null,
  ];
}
