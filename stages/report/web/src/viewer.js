// One station at full width: before and after under a slider, mask, repaired spots, residuals.
import { h, s } from './dom.js';
import { QUANTITIES, STATES, known, number, ordered, place, report } from './model.js';

let dialog = null;
let current = null;
let opener = null;
const wanted = { mask: true, spots: false, residuals: false };
let share = 50;

function maskLayer(view) {
  const [w, hgt] = view.after_size_px;
  const step = Math.max(w, hgt) / 60;
  // Everything outside the mask, by the even-odd rule: dimmed, and hatched so that it also shows on a
  // black backdrop.
  return s('svg', { viewBox: `-0.5 -0.5 ${w} ${hgt}`, class: 'layer layer-mask', 'aria-hidden': 'true' },
    s('defs', {}, s('pattern', { id: 'hatch', width: step, height: step, patternUnits: 'userSpaceOnUse', patternTransform: 'rotate(45)' },
      s('rect', { width: step, height: step, class: 'hatch-ground' }), s('rect', { width: step / 9, height: step, class: 'hatch-line' }))),
    s('path', { d: `M-1-1H${w}V${hgt}H-1Z${view.outline}`, 'fill-rule': 'evenodd', class: 'outside' }),
    s('path', { d: view.outline, class: 'border', 'vector-effect': 'non-scaling-stroke' }));
}

function spotLayer(view) {
  const [w, hgt] = view.before_size_px;
  const least = w / 90;
  return s('svg', { viewBox: `-0.5 -0.5 ${w} ${hgt}`, class: 'layer layer-spots', 'aria-hidden': 'true' },
    report.spots.map((spot) => s('circle', { cx: spot.x_px, cy: spot.y_px, r: Math.max(least, spot.diameter_px), 'vector-effect': 'non-scaling-stroke' })));
}

// So large that the median vector is one fortieth of the picture.
function magnification(view) {
  const lengths = view.residuals_x_y_dx_dy_px.map((r) => Math.hypot(r[2], r[3])).sort((a, b) => a - b);
  const middle = lengths[lengths.length >> 1] || 0;
  if (middle === 0) return 1;
  const raw = view.after_size_px[0] / 40 / middle;
  const decade = 10 ** Math.floor(Math.log10(raw));
  return Math.max(1, decade * Math.floor(raw / decade));
}

function residualLayer(view) {
  const [w, hgt] = view.after_size_px;
  const factor = magnification(view);
  return s('svg', { viewBox: `-0.5 -0.5 ${w} ${hgt}`, class: 'layer layer-residuals', 'aria-hidden': 'true' },
    view.residuals_x_y_dx_dy_px.map(([x, y, dx, dy]) => [
      s('line', { x1: x, y1: y, x2: x + dx * factor, y2: y + dy * factor, 'vector-effect': 'non-scaling-stroke' }),
      s('circle', { cx: x, cy: y, r: w / 500 }),
    ]));
}

function pictures(view) {
  const [w, hgt] = view.after_size_px;
  const after = h('img', { class: 'after', src: view.after, alt: `Prepared image of ${place(current)}` });
  const box = h('div', { class: 'compare', style: { 'aspect-ratio': `${w || 3} / ${hgt || 2}` } },
    h('img', { class: 'before', src: view.before, alt: `Fused image of ${place(current)} as it was shot` }), after,
    view.outline ? maskLayer(view) : null,
    report.spots.length > 0 ? spotLayer(view) : null,
    view.residuals_x_y_dx_dy_px.length > 0 ? residualLayer(view) : null,
    h('span', { class: 'seam', 'aria-hidden': 'true' }),
    h('span', { class: 'corner corner-before', 'aria-hidden': 'true' }, 'before'),
    h('span', { class: 'corner corner-after', 'aria-hidden': 'true' }, 'after'));
  const apply = () => {
    box.style.setProperty('--share', `${share}%`);
    for (const [name, on] of Object.entries(wanted)) box.classList.toggle(`show-${name}`, on);
  };
  const slider = h('input', {
    type: 'range', min: 0, max: 100, step: 1, value: share, 'aria-label': 'Border between before (left) and after (right)',
    oninput: (event) => { share = Number(event.target.value); apply(); },
  });
  const drag = (event) => {
    if (event.buttons !== 1) return;
    const r = box.getBoundingClientRect();
    share = Math.round(Math.max(0, Math.min(100, ((event.clientX - r.left) / r.width) * 100)));
    slider.value = share;
    apply();
  };
  box.addEventListener('pointerdown', (event) => { box.setPointerCapture(event.pointerId); drag(event); });
  box.addEventListener('pointermove', drag);
  const toggle = (name, text, possible) => h('label', { class: possible ? '' : 'off' },
    h('input', { type: 'checkbox', checked: wanted[name] && possible, disabled: !possible, onchange: (event) => { wanted[name] = event.target.checked; apply(); } }), text);
  apply();
  return [box, h('div', { class: 'compare-controls' }, slider, h('div', { class: 'toggles', role: 'group', 'aria-label': 'Overlays' },
    toggle('mask', 'mask', Boolean(view.outline)),
    toggle('spots', `repaired spots (${view.spots_repaired ?? report.spots.length})`, report.spots.length > 0),
    toggle('residuals', view.residuals_x_y_dx_dy_px.length > 0 ? `residuals, ${number(magnification(view), 3)} times as long` : 'residuals', view.residuals_x_y_dx_dy_px.length > 0)))];
}

function itemList(station) {
  if (station.items.length === 0) return h('p', { class: 'fine-text' }, 'Nothing to do here.');
  return h('ul', { class: 'items' }, station.items.map((item) => h('li', { class: item.severity },
    h('strong', {}, item.severity === 'note' ? 'note' : STATES[item.severity].word), ' ', item.what, ' ', item.remedy)));
}

function content(station) {
  const view = station.view;
  const step = (by) => show(ordered[(station.order + by + ordered.length) % ordered.length], by > 0 ? '.next' : '.previous');
  const numbers = view ? QUANTITIES.map((q) => [q, q.of(view)]).filter(([, v]) => known(v)) : [];
  return h('div', { class: 'viewer' },
    h('header', {},
      h('h2', { id: 'viewer-title' }, place(station), h('span', { class: 'angle' }, ` at ${number(station.angle, 4)}\u00b0`)),
      h('div', { class: 'viewer-buttons' },
        h('button', { type: 'button', class: 'previous', onclick: () => step(-1) }, 'Previous'),
        h('button', { type: 'button', class: 'next', onclick: () => step(1) }, 'Next'),
        h('button', { type: 'button', class: 'close', onclick: shut }, 'Close'))),
    h('div', { class: 'viewer-body' },
      h('div', { class: 'viewer-pictures' }, view ? (view.after ? pictures(view) : h('p', {}, 'No pictures are kept of this station.')) : h('div', { class: 'no-picture' }, 'No image of this station')),
      h('div', { class: 'viewer-side' },
        itemList(station),
        h('dl', { class: 'numbers' }, numbers.map(([q, v]) => [h('dt', {}, q.name), h('dd', {}, q.text(v))])),
        view ? h('p', { class: 'files' }, view.source_file, view.image_file ? h('span', {}, ' \u2192 ', view.image_file) : null) : h('p', { class: 'files' }, report.gaps[Number(station.id.slice(4))].file))));
}

function show(station, focusOn) {
  current = station;
  dialog.replaceChildren(content(station));
  history.replaceState(null, '', `#${station.id}`);
  dialog.querySelector(focusOn ?? '.close').focus();
}

function tidy() {
  if (!current) return;
  current = null;
  history.replaceState(null, '', location.pathname + location.search);
  dialog.replaceChildren();
  opener?.focus?.();
}

// At once: the dialog's own event comes late, and would clear the next station if that is open by
// then.
function shut() {
  dialog.close();
  tidy();
}

export function open(station, from) {
  opener = from ?? document.activeElement;
  if (!dialog) {
    dialog = h('dialog', { 'aria-labelledby': 'viewer-title' });
    dialog.addEventListener('close', () => { if (!dialog.open) tidy(); });
    dialog.addEventListener('click', (event) => { if (event.target === dialog) shut(); });
    dialog.addEventListener('keydown', (event) => {
      if (event.key === 'Escape') {
        event.preventDefault();
        shut();
        return;
      }
      if (event.target.matches('input')) return;
      if (event.key === 'ArrowRight') dialog.querySelector('.next').click();
      if (event.key === 'ArrowLeft') dialog.querySelector('.previous').click();
    });
    document.body.append(dialog);
  }
  if (!dialog.open) dialog.showModal();
  show(station);
}
