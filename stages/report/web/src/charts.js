// One small chart a quantity, stations from left to right, rings apart; the same cursor in all.
import uPlot from 'uplot';
import { colour, h } from './dom.js';
import { QUANTITIES, STATES, known, median, ordered, place, rings } from './model.js';

const SYNC = 'stations';

// A blank position between rings breaks the line.
const slots = rings.flatMap((ring, i) => [...(i > 0 ? [null] : []), ...ring.members]);
const positions = slots.map((_, i) => i);

const valuesOf = (quantity) => slots.map((station) => (station?.view && known(quantity.of(station.view)) ? quantity.of(station.view) : null));

// Room above and below, and the scale never so narrow that noise looks like a fault.
function range(quantity, values) {
  const seen = values.filter(known);
  let [low, high] = [Math.min(...seen), Math.max(...seen)];
  if (quantity.key === 'exposure' || quantity.key === 'sharpness') [low, high] = [Math.min(low, 90), Math.max(high, 110)];
  if (quantity.key === 'inliers' || quantity.key === 'residual' || quantity.key === 'area') low = 0;
  const room = (high - low || Math.abs(high) || 1) * 0.08;
  return [low === 0 ? 0 : low - room, high + room];
}

function summary(quantity, values) {
  const seen = values.filter(known);
  const at = (value) => place(slots[values.indexOf(value)]);
  const [low, high] = [Math.min(...seen), Math.max(...seen)];
  return `${quantity.name} over ${seen.length} stations: median ${quantity.text(median(seen))}, lowest ${quantity.text(low)} at ${at(low)}, highest ${quantity.text(high)} at ${at(high)}`;
}

function options(quantity, values, width, readout, open) {
  const ink = colour('--soft');
  const axis = { stroke: ink, grid: { stroke: colour('--line'), width: 1 }, ticks: { stroke: colour('--line'), width: 1 }, font: '12px system-ui, sans-serif' };
  const marked = (u) => {
    const ctx = u.ctx;
    slots.forEach((station, i) => {
      if (!station || station.state === 'fine') return;
      const x = u.valToPos(i, 'x', true);
      ctx.fillStyle = ctx.strokeStyle = colour(`--${station.state}`);
      ctx.lineWidth = 2 * devicePixelRatio;
      if (station.gap || !known(values[i])) {
        // No value: a dashed line from top to bottom.
        ctx.setLineDash([3 * devicePixelRatio, 3 * devicePixelRatio]);
        ctx.beginPath(); ctx.moveTo(x, u.bbox.top); ctx.lineTo(x, u.bbox.top + u.bbox.height); ctx.stroke();
        ctx.setLineDash([]);
        return;
      }
      const y = u.valToPos(values[i], 'y', true);
      const r = 5 * devicePixelRatio;
      ctx.beginPath();
      if (station.state === 'fault') ctx.arc(x, y, r, 0, 2 * Math.PI);
      else ctx.rect(x - r * 0.85, y - r * 0.85, r * 1.7, r * 1.7);
      ctx.stroke();
    });
  };
  return {
    width, height: 180, padding: [10, 8, 0, 0], legend: { show: false },
    cursor: { sync: { key: SYNC, setSeries: false }, drag: { x: false, y: false }, points: { size: 7 } },
    scales: { x: { time: false, range: [-0.6, slots.length - 0.4] }, y: { range: () => range(quantity, values) } },
    axes: [
      { ...axis, size: 30, grid: { show: false }, ticks: { ...axis.ticks, size: 4 }, gap: 3, splits: () => ticks(width), values: (_, at) => at.map((i) => slots[i]?.station ?? '') },
      { ...axis, size: 52, ticks: { show: false } },
    ],
    series: [{}, { stroke: colour('--m2'), width: 1.5, spanGaps: false, points: { show: true, size: 4, fill: colour('--m2') } }],
    hooks: {
      init: [(u) => u.over.addEventListener('click', (event) => {
        const station = slots[u.posToIdx(event.offsetX)];
        if (station) open(station);
      })],
      draw: [marked],
      setCursor: [(u) => {
        const station = slots[u.cursor.idx];
        readout.textContent = station ? `${place(station)}: ${known(values[u.cursor.idx]) ? quantity.text(values[u.cursor.idx]) : station.gap ? 'missing' : 'not measured'}${station.state === 'fine' ? '' : ` (${STATES[station.state].word})`}` : '';
      }],
    },
  };
}

function ticks(width) {
  const every = Math.max(1, Math.ceil(slots.length / (width / 34)));
  const steps = [1, 2, 3, 5, 6, 10, 12, 20, 30, 50].find((x) => x >= every) ?? every;
  return rings.flatMap((ring) => ring.members.filter((_, i) => i % steps === 0).map((station) => slots.indexOf(station)));
}

function chart(quantity, open) {
  const values = valuesOf(quantity);
  const seen = values.filter(known);
  if (seen.length === 0) {
    return h('figure', { class: 'chart' }, h('figcaption', {}, h('strong', {}, quantity.name), h('span', {}, ' not measured in this run')));
  }
  const readout = h('span', { class: 'readout' });
  const box = h('div', { class: 'plot', role: 'img', 'aria-label': summary(quantity, values) });
  const figure = h('figure', { class: 'chart', id: `chart-${quantity.key}` },
    h('figcaption', {}, h('strong', {}, quantity.name), h('span', { class: 'unit' }, ` ${quantity.unit}`), readout, h('span', { class: 'meaning' }, quantity.meaning)), box);
  let plot = null;
  const build = () => {
    const width = Math.floor(box.clientWidth);
    if (width < 80) return;
    plot?.destroy();
    plot = new uPlot(options(quantity, values, width, readout, open), [positions, values], box);
  };
  new ResizeObserver(() => { if (plot && Math.abs(plot.width - box.clientWidth) < 2) return; build(); }).observe(box);
  document.addEventListener('themechange', build);
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', build);
  return figure;
}

export function chartSection(open) {
  return h('section', { 'aria-labelledby': 'charts-title', id: 'charts' }, h('h2', { id: 'charts-title' }, 'Over the stations'),
    h('p', { class: 'lead' }, `${rings.length > 1 ? `Rings from left to right: ${rings.map((ring) => ring.name).join(', ')}. ` : ''}A circle marks a faulty station, a square one to check, a dashed line one without a value. Press a point to open its station.`),
    h('div', { class: 'charts' }, QUANTITIES.filter((q) => q.chart !== false).map((q) => chart(q, open))));
}
