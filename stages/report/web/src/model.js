// The report's data as the page wants it: one list of stations, ring by ring, views and gaps mixed
// in the order of their numbers.

export const report = JSON.parse(document.getElementById('report-data').textContent);

export const STATES = {
  fine: { word: 'fine', sign: '' },
  doubt: { word: 'check', sign: '?' },
  fault: { word: 'faulty', sign: '!' },
};

const known = (value) => value !== null && value !== undefined;

export function number(value, digits = 3) {
  if (!known(value)) return '\u2013';
  if (value === 0) return '0';
  const magnitude = Math.floor(Math.log10(Math.abs(value)));
  if (magnitude >= 5 || magnitude < -4) return value.toExponential(digits - 1);
  return value.toFixed(Math.max(0, digits - 1 - magnitude));
}
export const signed = (value, digits) => (known(value) && value > 0 ? '+' : '') + number(value, digits);

// The quantities a station has: one list for the loupe, the viewer, the table, the charts and the
// labels that a screen reader speaks.
export const QUANTITIES = [
  { key: 'exposure', name: 'Exposure', unit: '% of the median', of: (v) => known(v.exposure) ? v.exposure * 100 : null,
    text: (x) => `${number(x, 4)} %`, meaning: 'Brightness of the backdrop, or of the specimen against its neighbours where the backdrop is too dark; a drift means that the light changed.' },
  { key: 'sharpness', name: 'Sharpness', unit: '% of the median', of: (v) => known(v.sharpness) ? v.sharpness * 100 : null,
    text: (x) => `${number(x, 3)} %`, meaning: 'Fine detail inside the specimen; a drop means blur or a gap in the focus series.' },
  { key: 'area', name: 'Mask area', unit: '% of the image', of: (v) => known(v.mask_area) ? v.mask_area * 100 : null,
    text: (x) => `${number(x, 3)} %`, meaning: 'Share of the image inside the mask; it changes slowly as the specimen turns.' },
  { key: 'correction', name: 'Angle correction', unit: 'degrees', of: (v) => v.angle_correction_deg,
    text: (x) => `${signed(x, 3)}\u00b0`, meaning: 'Refined minus nominal stage angle; a sudden change means that the stage slipped.' },
  { key: 'inliers', name: 'Tie points', unit: 'count', of: (v) => v.inliers,
    text: (x) => String(x), meaning: 'Points matched with other stations; few mean a poorly determined pose.' },
  { key: 'residual', name: 'Residual', unit: 'px, root mean square', of: (v) => v.residual_px,
    text: (x) => `${number(x, 3)} px`, meaning: 'Distance between measured tie points and their projection with the refined pose.' },
  { key: 'confidence', name: 'Mask confidence', unit: '%', of: (v) => known(v.mask_confidence) ? v.mask_confidence * 100 : null,
    text: (x) => `${number(x, 3)} %`, meaning: '', chart: false },
  { key: 'sigma', name: 'Position sigma', unit: 'mm', of: (v) => v.sigma_position_mm,
    text: (x) => `${number(x, 3)} mm`, meaning: '', chart: false },
  { key: 'sigmarot', name: 'Rotation sigma', unit: 'degrees', of: (v) => v.sigma_rotation_deg,
    text: (x) => `${number(x, 3)}\u00b0`, meaning: '', chart: false },
  { key: 'spots', name: 'Spots repaired', unit: 'count', of: (v) => v.spots_repaired,
    text: (x) => String(x), meaning: '', chart: false },
];

export const place = (station) => (station.ring ? `${station.ring} ${station.station}` : `station ${station.station}`);

function stationOf(source, id, gap) {
  const items = [...report.judgement.to_do, ...report.judgement.notes].filter((item) => item.anchor === id);
  const has = (severity) => items.some((item) => item.severity === severity);
  return {
    id, gap, items, view: gap ? null : source,
    ring: source.ring, station: source.station, angle: source.stage_angle_deg,
    state: gap || has('fault') ? 'fault' : has('doubt') ? 'doubt' : 'fine',
  };
}

export const stations = [
  ...report.views.map((view, i) => stationOf(view, `view-${i}`, false)),
  ...report.gaps.map((gap, i) => stationOf(gap, `gap-${i}`, true)),
];

// Rings in the order of the specimen file; a view of no listed ring gets one of its own.
export const rings = (() => {
  const list = report.rings.map((ring) => ({ ...ring, members: [] }));
  for (const station of stations) {
    let ring = list.find((r) => r.name === station.ring);
    if (!ring) list.push((ring = { name: station.ring, elevation_deg: null, stations: 0, members: [] }));
    ring.members.push(station);
  }
  for (const ring of list) ring.members.sort((a, b) => a.station - b.station);
  return list.filter((ring) => ring.members.length > 0);
})();

export const ordered = rings.flatMap((ring) => ring.members);
ordered.forEach((station, i) => { station.order = i; });
export const byId = new Map(ordered.map((station) => [station.id, station]));

export function median(values) {
  const sorted = values.filter(known).sort((a, b) => a - b);
  if (sorted.length === 0) return null;
  const m = sorted.length >> 1;
  return sorted.length % 2 ? sorted[m] : (sorted[m - 1] + sorted[m]) / 2;
}

// What a screen reader says of a station.
export function spoken(station) {
  const words = [`${place(station)}, stage angle ${number(station.angle, 4)} degrees`];
  if (station.gap) words.push('missing');
  else {
    words.push(STATES[station.state].word);
    for (const key of ['sharpness', 'exposure', 'confidence', 'sigma']) {
      const q = QUANTITIES.find((x) => x.key === key);
      const value = q.of(station.view);
      if (known(value)) words.push(`${q.name.toLowerCase()} ${q.text(value)}`);
    }
  }
  words.push(...station.items.map((item) => item.what));
  return words.join(', ');
}

export { known };
