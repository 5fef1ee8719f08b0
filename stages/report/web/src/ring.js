// The set as a ring: thumbnails stand where the camera stood, seen from above, the first stage
// angle on top and growing clockwise. The middle of the ring is a loupe for the station pointed at.
import { h, s } from './dom.js';
import { QUANTITIES, STATES, known, number, place, report, rings, spoken, stations } from './model.js';

// Four small bars a station: how a value stands within its range, which the legend explains.
const sigmas = stations.map((x) => x.view?.sigma_position_mm).filter(known);
const largestSigma = Math.max(...sigmas, 1e-12);
const MARK_LENGTH = 4.2;  // per cent of the dial
const MARKS = [
  { name: 'sharpness', range: 'full at the median of the set', share: (v) => v.sharpness },
  { name: 'exposure', range: 'half at the median, full and empty at 20 % off', share: (v) => known(v.exposure) ? 0.5 + (v.exposure - 1) / 0.4 : null },
  { name: 'mask confidence', range: 'full at 100 %', share: (v) => v.mask_confidence },
  { name: 'pose sigma', range: 'full at the largest of the set, short is good', share: (v) => known(v.sigma_position_mm) ? v.sigma_position_mm / largestSigma : null },
];

// They stand inside the ring, rooted on its circle and pointing at the middle.
function marks(station, turn, radius, width) {
  if (station.gap) return null;
  return MARKS.map((mark, i) => {
    const share = mark.share(station.view);
    if (!known(share)) return null;
    const length = Math.max(0.04, Math.min(1, share)) * MARK_LENGTH;
    const x = (i - 1.5) * width;
    return s('g', { transform: `rotate(${(turn * 180) / Math.PI} 50 50)` },
      s('rect', { x: 50 + x - width * 0.38, y: 50 - radius, width: width * 0.76, height: MARK_LENGTH, class: 'mark-room' }),
      s('rect', { x: 50 + x - width * 0.38, y: 50 - radius, width: width * 0.76, height: length, class: `mark mark-${i}` }));
  });
}

function outline(view) {
  if (!view.outline) return null;
  const [w, hgt] = view.after_size_px;
  return s('svg', { viewBox: `-0.5 -0.5 ${w} ${hgt}`, preserveAspectRatio: 'xMidYMid slice', class: 'outline', 'aria-hidden': 'true' },
    s('path', { d: view.outline, 'vector-effect': 'non-scaling-stroke' }));
}

// Staggered in rows so that a thumbnail keeps a size that can be seen and hit.
function layout(count) {
  const rows = count <= 36 ? 1 : count <= 84 ? 2 : count <= 140 ? 3 : 4;
  const step = rows === 1 ? 0 : 8.6 - rows * 0.5;
  const outer = 43.5;
  const inner = outer - step * (rows - 1);
  const size = Math.min(10.5, (0.93 * 2 * Math.PI * inner * rows) / Math.max(count, 8), rows > 1 ? step * 0.96 : 99);
  return { rows, step, outer, inner, size };
}

// Positions follow the stage angle unless stations would hide each other.
function angles(members) {
  const even = 360 / members.length;
  const turned = members.map((m) => ((m.angle % 360) + 360) % 360).sort((a, b) => a - b);
  const crowded = members.length > 1 && turned.some((a, i) =>
    (i + 1 < turned.length ? turned[i + 1] - a : turned[0] + 360 - a) < 0.6 * even);
  const clockwise = members.length > 1 && members[1].angle < members[0].angle ? -1 : 1;
  return members.map((m, i) => (crowded ? i * even : clockwise * m.angle));
}

function thumbnail(station, open) {
  const content = station.gap
    ? [h('span', { class: 'gap-sign', 'aria-hidden': 'true' }, '\u00d7')]
    : [station.view.small ? h('img', { src: station.view.small, alt: '', decoding: 'async' }) : null, outline(station.view)];
  return h('button', {
    type: 'button', class: `thumb ${station.state}${station.gap ? ' gap' : ''}`, id: station.id, tabindex: -1,
    'aria-label': spoken(station), onclick: () => open(station),
  },
  h('span', { class: 'picture' }, content),
  station.state === 'fine' ? null : h('span', { class: 'sign', 'aria-hidden': 'true' }, STATES[station.state].sign));
}

function loupe(ring) {
  const box = h('div', { class: 'loupe', 'aria-hidden': 'true' });
  const count = (state) => ring.members.filter((m) => m.state === state).length;
  const put = (...children) => box.replaceChildren(...children.filter((child) => child !== null));
  const rest = () => put(
    h('p', { class: 'loupe-name' }, ring.name || 'ring'),
    h('p', {}, known(ring.elevation_deg) ? `elevation ${number(ring.elevation_deg, 3)}\u00b0` : ''),
    h('p', { class: 'loupe-count' }, `${count('fine')} of ${ring.members.length} fine`),
    count('doubt') ? h('p', { class: 'doubt-text' }, `${count('doubt')} to check`) : null,
    count('fault') ? h('p', { class: 'fault-text' }, `${count('fault')} faulty`) : null);
  const show = (station) => {
    const view = station.view;
    const rows = station.gap ? [] : QUANTITIES.filter((q) => ['sharpness', 'exposure', 'confidence', 'sigma'].includes(q.key))
      .map((q) => [q.name, q.of(view), q]).filter(([, value]) => known(value));
    put(
      view?.small ? h('img', { src: view.small, alt: '' }) : null,
      h('p', { class: 'loupe-name' }, place(station)),
      h('p', {}, `${number(station.angle, 4)}\u00b0`),
      station.items.length > 0 ? h('p', { class: `${station.state}-text` }, station.items[0].what) :
        h('dl', {}, rows.map(([name, value, q]) => [h('dt', {}, name), h('dd', {}, q.text(value))])));
  };
  rest();
  return { box, rest, show };
}

function dial(ring, open) {
  const { rows, step, outer, inner, size } = layout(ring.members.length);
  const glass = loupe(ring);
  const radius = inner - size * 0.5 - 2.2;
  glass.box.style.setProperty('--loupe', `${Math.min(56, (radius - MARK_LENGTH) * 2 * 0.86)}%`);
  const turns = angles(ring.members);
  const buttons = ring.members.map((station, i) => {
    const button = thumbnail(station, open);
    const turn = (turns[i] * Math.PI) / 180;
    const r = outer - step * (i % rows);
    button.style.setProperty('left', `${50 + r * Math.sin(turn)}%`);
    button.style.setProperty('top', `${50 - r * Math.cos(turn)}%`);
    button.style.setProperty('width', `${size}%`);
    const show = () => glass.show(station);
    button.addEventListener('pointerenter', show);
    button.addEventListener('focus', show);
    button.addEventListener('pointerleave', glass.rest);
    button.addEventListener('blur', glass.rest);
    return button;
  });
  walkable(buttons);
  return h('div', { class: 'dial', role: 'group', 'aria-label': `Ring ${ring.name || ''}, ${ring.members.length} stations; arrow keys walk along it` },
    s('svg', { viewBox: '0 0 100 100', class: 'dial-lines', 'aria-hidden': 'true' },
      s('circle', { cx: 50, cy: 50, r: radius }),
      ring.members.map((station, i) => {
        const turn = (turns[i] * Math.PI) / 180;
        const [sin, cos] = [Math.sin(turn), Math.cos(turn)];
        return [
          marks(station, turn, radius, Math.min(1.1, (radius * 2 * Math.PI * 0.75) / ring.members.length / 4)),
          station.state === 'fine' ? null : s('line', { x1: 50 + radius * sin, y1: 50 - radius * cos, x2: 50 + (radius + 2) * sin, y2: 50 - (radius + 2) * cos, class: station.state }),
        ];
      })),
    glass.box, buttons);
}

// One stop for the tab key, arrows along the ring.
function walkable(buttons) {
  if (buttons.length === 0) return;
  buttons[0].tabIndex = 0;
  const go = (from, to) => {
    buttons[from].tabIndex = -1;
    const target = buttons[(to + buttons.length) % buttons.length];
    target.tabIndex = 0;
    target.focus();
  };
  buttons.forEach((button, i) => {
    button.addEventListener('keydown', (event) => {
      const moves = { ArrowRight: i + 1, ArrowDown: i + 1, ArrowLeft: i - 1, ArrowUp: i - 1, Home: 0, End: buttons.length - 1 };
      if (!(event.key in moves)) return;
      event.preventDefault();
      go(i, moves[event.key]);
    });
    button.addEventListener('focus', () => {
      for (const other of buttons) other.tabIndex = other === button ? 0 : -1;
    });
  });
}

function legend() {
  return h('div', { class: 'legend' },
    h('p', {}, 'Seen from above, stage angle growing clockwise from the top. Press a picture to compare it before and after.'),
    h('ul', {},
      h('li', {}, h('span', { class: 'key fine' }), 'fine'),
      h('li', {}, h('span', { class: 'key doubt' }, '?'), 'to be checked'),
      h('li', {}, h('span', { class: 'key fault' }, '!'), 'faulty'),
      h('li', {}, h('span', { class: 'key gap' }, '\u00d7'), 'missing')),
    h('p', {}, 'Four small bars stand inside the ring at each station, clockwise:'),
    h('ol', {}, MARKS.map((mark, i) => h('li', {}, s('svg', { viewBox: '0 0 4 10', class: 'key-mark', 'aria-hidden': 'true' }, s('rect', { width: 4, height: 10, class: `mark mark-${i}` })), `${mark.name} (${mark.range})`))));
}

export function ringSection(open) {
  return h('section', { 'aria-labelledby': 'ring-title', id: 'ring' },
    h('h2', { id: 'ring-title' }, rings.length === 1 ? 'The ring' : 'The rings'),
    h('div', { class: `dials dials-${Math.min(rings.length, 3)}` }, rings.map((ring) => h('div', { class: 'dial-box' },
      rings.length > 1 || ring.name ? h('h3', {}, `${ring.name}${known(ring.elevation_deg) ? `, elevation ${number(ring.elevation_deg, 3)}\u00b0` : ''}`) : null,
      dial(ring, open)))),
    report.views.length > 0 ? legend() : null);
}
