// Below the rings: charts, rig, maps, calibration, the table of all numbers, how it was made.
import { h, s } from './dom.js';
import { QUANTITIES, STATES, known, number, ordered, place, report } from './model.js';
import { chartSection } from './charts.js';
import { rigSection } from './scene3d.js';

function facts(list, caption) {
  if (list.length === 0) return null;
  return h('table', { class: 'facts' }, h('caption', {}, caption), h('tbody', {}, list.map((fact) => h('tr', {}, h('th', { scope: 'row' }, fact.name), h('td', {}, fact.value)))));
}

function maps() {
  if (!report.backdrop && report.spots.length === 0) return null;
  const { width_px: w, height_px: hgt } = report.geometry.source_camera.width_px ? report.geometry.source_camera : report.geometry.camera;
  const backdrop = report.backdrop ? h('figure', {}, h('img', { src: report.backdrop, alt: 'The backdrop as it shows without the specimen', loading: 'lazy' }),
    h('figcaption', {}, h('strong', {}, 'Backdrop'), ' what does not turn with the stage, stretched from its darkest to its brightest value so that unevenness shows.')) : null;
  const size = Math.max(w, hgt) || 1000;
  const dust = h('figure', {}, s('svg', { viewBox: `-0.5 -0.5 ${w || 1000} ${hgt || 700}`, class: 'dust', role: 'img', 'aria-label': `${report.spots.length} static defects on the sensor` },
    report.spots.map((spot) => s('circle', { cx: spot.x_px, cy: spot.y_px, r: Math.max(size / 160, spot.diameter_px / 2), class: spot.contrast < 0 ? 'dark-spot' : 'bright-spot', 'vector-effect': 'non-scaling-stroke' },
      s('title', {}, `${number(spot.diameter_px, 2)} px across at ${number(spot.x_px, 4)}, ${number(spot.y_px, 4)}; contrast ${number(spot.contrast * 100, 2)} %`)))),
    h('figcaption', {}, h('strong', {}, 'Dust map'), report.spots.length === 0 ? ' no static defect of the sensor was found.'
      : ` ${report.spots.length} static ${report.spots.length === 1 ? 'defect' : 'defects'} of the sensor; filled: darker than their surround, open: brighter. Small ones are drawn larger than they are.`));
  return h('section', { 'aria-labelledby': 'maps-title', id: 'maps' }, h('h2', { id: 'maps-title' }, 'Backdrop and dust'), h('div', { class: 'maps' }, backdrop, dust));
}

function lensRows(lens) {
  if (!lens) return [['Lens', 'not calibrated: nominal principal distance, no distortion removed']];
  return [['Lens', [lens.model, lens.quality].filter(Boolean).join('; ')],
    known(lens.rms_px) ? ['Lens, root mean square residual', `${number(lens.rms_px, 3)} px over ${lens.images_used ?? '?'} images`] : null,
    lens.provenance?.date ? ['Lens, made', lens.provenance.date] : null].filter(Boolean);
}

function axisRows(axis) {
  if (!axis) return [['Axis', 'not calibrated: nominal geometry, wide uncertainties']];
  return [['Axis', axis.quality || 'calibrated'],
    known(axis.rms_px) ? ['Axis, root mean square residual', `${number(axis.rms_px, 3)} px`] : null,
    axis.provenance?.date ? ['Axis, made', axis.provenance.date] : null].filter(Boolean);
}

function calibration() {
  const record = report.calibration;
  const camera = report.geometry.camera;
  const mismatches = report.calibration_mismatches;
  const validity = !record ? 'No calibration record was used.'
    : mismatches.length === 0 ? 'The record fits the setup it was used with.' : 'The record does not fit the setup:';
  const rows = [['Setup', report.setup], ...lensRows(record?.lens), ...axisRows(record?.axis),
    ['Camera of the prepared images', `${camera.projection}, ${camera.width_px} x ${camera.height_px} px, fx ${number(camera.fx, 7)}, fy ${number(camera.fy, 7)}, cx ${number(camera.cx_px, 6)}, cy ${number(camera.cy_px, 6)} px`],
    ['Pixel pitch', `${number(report.geometry.pixel_pitch_um, 4)} \u00b5m`],
    report.calibration_hash ? ['Record, content hash', report.calibration_hash] : null].filter(Boolean);
  return h('section', { 'aria-labelledby': 'calibration-title', id: 'calibration' }, h('h2', { id: 'calibration-title' }, 'Calibration'),
    h('p', { class: mismatches.length > 0 ? 'fault-text' : record ? 'fine-text' : 'doubt-text' }, validity),
    mismatches.length > 0 ? h('ul', {}, mismatches.map((sentence) => h('li', {}, sentence))) : null,
    facts(rows.map(([name, value]) => ({ name, value })), 'Basis of the poses'),
    [record?.lens, record?.axis].flatMap((part) => part?.provenance?.notes ?? []).map((note) => h('p', {}, note)));
}

function table(open) {
  const shown = QUANTITIES.filter((q) => ordered.some((station) => station.view && known(q.of(station.view))));
  return h('section', { 'aria-labelledby': 'table-title', id: 'table' }, h('h2', { id: 'table-title' }, 'All stations'),
    h('details', {}, h('summary', {}, `${ordered.length} stations with their numbers`),
      h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'Table of all stations' }, h('table', { class: 'stations' },
        h('thead', {}, h('tr', {}, ['Station', 'State', 'Pose', 'Angle', ...shown.map((q) => q.name)].map((name) => h('th', { scope: 'col' }, name)))),
        h('tbody', {}, ordered.map((station) => h('tr', { class: station.state },
          h('th', { scope: 'row' }, h('a', { href: `#${station.id}`, onclick: (event) => { event.preventDefault(); open(station, event.currentTarget); } }, place(station))),
          h('td', {}, station.gap ? 'missing' : STATES[station.state].word), h('td', {}, station.view ? station.view.pose_state : '\u2013'), h('td', {}, `${number(station.angle, 4)}\u00b0`),
          shown.map((q) => { const value = station.view ? q.of(station.view) : null; return h('td', {}, known(value) ? q.text(value) : '\u2013'); }))))))));
}

// The same sentences as on the terminal of `trunnion plan`: the next capture begins with this page.
function cautions() {
  return h('section', { 'aria-labelledby': 'cautions-title', id: 'cautions' }, h('h2', { id: 'cautions-title' }, 'Cautions for the next capture'),
    h('p', {}, report.cautions.rule),
    h('dl', { class: 'cautions' }, report.cautions.list.map((caution) => [h('dt', {}, caution.subject), h('dd', {}, caution.text)])));
}

// What a person decided, with reason and date.
function decisions() {
  const { excluded, accepted } = report.review ?? { excluded: [], accepted: [] };
  if (excluded.length + accepted.length === 0) return null;
  const of = (one) => (one.station === null || one.station === undefined ? one.file || 'whole set' : place(one));
  const row = (what, one, text) => h('tr', {}, h('th', { scope: 'row' }, of(one)), h('td', {}, what), h('td', { class: 'words' }, text), h('td', { class: 'words' }, one.reason), h('td', {}, one.date));
  return h('section', { 'aria-labelledby': 'decisions-title', id: 'decisions' }, h('h2', { id: 'decisions-title' }, 'Decisions'),
    h('p', {}, 'A person decided this in review.toml. No decision changes a pose or a figure.'),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'Table of decisions' }, h('table', { class: 'stations' },
      h('thead', {}, h('tr', {}, ['Where', 'Decision', 'Of what', 'Reason', 'Date'].map((name) => h('th', { scope: 'col' }, name)))),
      h('tbody', {}, excluded.map((one) => row('excluded', one, 'the station')), accepted.map((one) => row('doubt accepted', one, one.doubt))))));
}

function methods() {
  const text = h('p', { class: 'methods', id: 'methods-text' }, report.methods);
  const said = h('span', { role: 'status', class: 'said' });
  const copy = h('button', { type: 'button', onclick: async () => {
    try {
      await navigator.clipboard.writeText(report.methods);
      said.textContent = 'Copied.';
    } catch {
      // Pages from disk may not use the clipboard: select instead.
      getSelection().selectAllChildren(text);
      said.textContent = 'Selected; copy it with the keyboard.';
    }
  } }, 'Copy');
  const total = report.timings.reduce((sum, t) => sum + (t.seconds || 0), 0);
  return h('section', { 'aria-labelledby': 'methods-title', id: 'methods' }, h('h2', { id: 'methods-title' }, 'For a methods section'),
    text, h('p', {}, copy, ' ', said),
    h('div', { class: 'facts-grid' }, facts(report.settings, 'Settings'), facts(report.versions, 'Versions'), facts(report.hashes, 'Content hashes'),
      facts(report.timings.map((t) => ({ name: t.stage, value: `${number(t.seconds, 3)} s${t.images > 0 ? `, ${t.images} images` : ''}` })).concat(total > 0 ? [{ name: 'all', value: `${number(total, 3)} s` }] : []), 'Timings')));
}

function record() {
  if (!report.record || report.record.length === 0) return null;
  return h('section', { 'aria-labelledby': 'record-title', id: 'record' }, h('h2', { id: 'record-title' }, 'Specimen'),
    h('div', { class: 'facts-grid' }, facts(report.record, 'Record')));
}

export function detailSections(open) {
  return [record(), chartSection(open), rigSection(open), maps(), calibration(), table(open), decisions(), cautions(), methods()];
}
