// One station at any zoom: the fused or the prepared image, the mask that lies in prepared/ pixel by
// pixel over it, and a canvas on which strokes are drawn until the desk has made the mask again.
import OpenSeadragon from 'openseadragon';
import { colour, h } from '../../../../stages/report/web/src/dom.js';

const TILE = 512;
const LAYERS = ['before', 'after', 'mask'];

function source(view, kind) {
  const [width, height] = kind === 'before' ? view.before_px : view.after_px;
  const maxLevel = Math.max(0, Math.ceil(Math.log2(Math.max(width, height) / TILE)));
  return {
    width, height, tileSize: TILE, tileOverlap: 0, minLevel: 0, maxLevel,
    getTileUrl: (level, x, y) => `/tile?view=${encodeURIComponent(view.name)}&kind=${kind}&level=${maxLevel - level}&x=${x}&y=${y}&of=${view.stamps[kind]}`,
  };
}

export function makeStage({ painted, said }) {
  const glass = h('canvas', { class: 'glass', 'aria-hidden': 'true' });
  const mount = h('div', { class: 'mount' });
  const element = h('div', { class: 'stage', tabindex: 0, role: 'application', 'aria-label': 'Image of the station' }, mount, glass);
  const viewer = OpenSeadragon({
    element: mount, drawer: 'canvas', showNavigationControl: false, imageSmoothingEnabled: false, maxZoomPixelRatio: 32,
    subPixelRoundingForTransparency: OpenSeadragon.SUBPIXEL_ROUNDING_OCCURRENCES.ALWAYS,
    minZoomImageRatio: 0.5, visibilityRatio: 0.3, animationTime: matchMedia('(prefers-reduced-motion: reduce)').matches ? 0 : 0.25,
    keyboardNavEnabled: false, tabIndex: -1, gestureSettingsMouse: { clickToZoom: false, dblClickToZoom: true }, gestureSettingsTouch: { clickToZoom: false },
  });
  const items = {};
  const shown = { before: false, mask: true, residuals: false, spots: false };
  const brush = { paint: null, fill: false, radius: 20 };
  let view = null;
  let extra = null;
  let strokes = [];  // drawn here until the mask that holds them has come
  let live = null;
  let cursor = null;  // px of the prepared image
  let wait = 0;

  const opacity = (kind) => (kind === 'before' ? Number(shown.before) : kind === 'after' ? Number(!shown.before) : Number(shown.mask));
  const put = (kind) => new Promise((done) => {
    const [of, ticket] = [view, wait];
    viewer.addTiledImage({
      tileSource: source(view, kind), width: 1, opacity: opacity(kind), index: LAYERS.indexOf(kind), preload: true,
      success: ({ item }) => {
        if (ticket !== wait || of.name !== view.name) viewer.world.removeItem(item);
        else {
          if (items[kind]) viewer.world.removeItem(items[kind]);
          items[kind] = item;
        }
        done();
      },
      error: done,
    });
  });
  const refresh = () => { for (const kind of LAYERS) items[kind]?.setOpacity(opacity(kind)); draw(); };

  const toScreen = (x, y) => viewer.viewport.imageToViewerElementCoordinates ? items.after.imageToViewerElementCoordinates(new OpenSeadragon.Point(x + 0.5, y + 0.5)) : null;
  const toImage = (x, y) => { const p = items.after.viewerElementToImageCoordinates(new OpenSeadragon.Point(x, y)); return [p.x - 0.5, p.y - 0.5]; };
  const scale = () => viewer.viewport.getZoom(true) * mount.clientWidth / view.after_px[0];

  function path(context, points) {
    context.beginPath();
    for (const [x, y] of points) { const p = toScreen(x, y); context.lineTo(p.x, p.y); }
    if (points.length === 1) { const p = toScreen(...points[0]); context.lineTo(p.x + 0.01, p.y); }
    context.stroke();
  }

  function draw() {
    const ratio = devicePixelRatio || 1;
    const [w, hgt] = [mount.clientWidth, mount.clientHeight];
    if (glass.width !== Math.round(w * ratio) || glass.height !== Math.round(hgt * ratio)) { glass.width = Math.round(w * ratio); glass.height = Math.round(hgt * ratio); }
    const context = glass.getContext('2d');
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, w, hgt);
    if (!view || !items.after) return;
    context.lineCap = context.lineJoin = 'round';
    for (const stroke of live ? [...strokes, live] : strokes) {
      context.globalAlpha = 0.55;
      context.strokeStyle = { add: colour('--m0'), subtract: colour('--fault'), erase: '#ffffff' }[stroke.paint];
      context.lineWidth = Math.max(1, 2 * stroke.radius_px * scale());
      path(context, stroke.points);
    }
    context.globalAlpha = 1;
    if (shown.residuals && extra) drawResiduals(context);
    if (shown.spots && extra) drawSpots(context);
    if (brush.paint && cursor) {
      const p = toScreen(...cursor);
      for (const [width, style] of [[3, '#000000'], [1.5, '#ffffff']]) {
        context.lineWidth = width; context.strokeStyle = style;
        context.beginPath(); context.arc(p.x, p.y, Math.max(2, brush.radius * scale()), 0, 2 * Math.PI); context.stroke();
        context.beginPath(); context.moveTo(p.x - 5, p.y); context.lineTo(p.x + 5, p.y); context.moveTo(p.x, p.y - 5); context.lineTo(p.x, p.y + 5); context.stroke();
      }
    }
  }

  // Twenty times as long as they are, so that they can be seen.
  function drawResiduals(context) {
    context.strokeStyle = '#ffd84a'; context.lineWidth = 1.5;
    for (const [x, y, dx, dy] of extra.residuals_x_y_dx_dy_px) {
      const [a, b] = [toScreen(x, y), toScreen(x + 20 * dx, y + 20 * dy)];
      context.beginPath(); context.arc(a.x, a.y, 2, 0, 2 * Math.PI); context.moveTo(a.x, a.y); context.lineTo(b.x, b.y); context.stroke();
    }
  }
  function drawSpots(context) {
    context.strokeStyle = '#ff9ad5'; context.lineWidth = 1.5;
    for (const [x, y, d] of extra.spots) {
      const p = toScreen(x, y);
      context.beginPath(); context.arc(p.x, p.y, Math.max(5, d * scale()), 0, 2 * Math.PI); context.stroke();
    }
  }

  function finish() {
    const stroke = live;
    live = null;
    if (!stroke) return;
    stroke.view = view.name;
    strokes.push(stroke);
    draw();
    painted(stroke).catch((error) => { strokes = strokes.filter((one) => one !== stroke); draw(); said(error.message); });
  }
  const begin = (point) => { live = { paint: brush.paint, fill: brush.fill, radius_px: brush.radius, points: [point] }; draw(); };
  const extend = (point) => {
    const [x, y] = live.points.at(-1);
    if (Math.hypot(point[0] - x, point[1] - y) >= Math.min(1, brush.radius / 4) && live.points.length < 15000) live.points.push(point);
  };

  // Pointers on the canvas: one paints, two move and zoom the image.
  const fingers = new Map();
  const at = (event) => { const r = glass.getBoundingClientRect(); return [event.clientX - r.left, event.clientY - r.top]; };
  glass.addEventListener('pointerdown', (event) => {
    if (!items.after || (event.pointerType === 'mouse' && event.button !== 0)) return;
    event.preventDefault();
    element.focus({ preventScroll: true });
    glass.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, at(event));
    if (fingers.size === 1) { cursor = toImage(...at(event)); begin(cursor); } else { live = null; draw(); }
  });
  glass.addEventListener('pointermove', (event) => {
    if (!items.after) return;
    const before = fingers.get(event.pointerId);
    if (fingers.size === 2 && before) {
      const other = [...fingers].find(([id]) => id !== event.pointerId)[1];
      const now = at(event);
      const distance = (p) => Math.max(1, Math.hypot(p[0] - other[0], p[1] - other[1]));
      const middle = viewer.viewport.viewerElementToViewportCoordinates(new OpenSeadragon.Point((now[0] + other[0]) / 2, (now[1] + other[1]) / 2));
      viewer.viewport.zoomBy(distance(now) / distance(before), middle, true);
      viewer.viewport.panBy(viewer.viewport.deltaPointsFromPixels(new OpenSeadragon.Point((before[0] - now[0]) / 2, (before[1] - now[1]) / 2)), true);
    }
    if (before) fingers.set(event.pointerId, at(event));
    cursor = toImage(...at(event));
    if (live && fingers.size === 1) for (const each of event.getCoalescedEvents?.().length ? event.getCoalescedEvents() : [event]) extend(toImage(...at(each)));
    draw();
  });
  const up = (event) => { if (fingers.delete(event.pointerId) && fingers.size === 0) finish(); };
  glass.addEventListener('pointerup', up);
  glass.addEventListener('pointercancel', (event) => { fingers.delete(event.pointerId); live = null; draw(); });
  glass.addEventListener('pointerleave', () => { if (fingers.size === 0) { cursor = null; draw(); } });
  glass.addEventListener('wheel', (event) => {
    event.preventDefault();
    const p = viewer.viewport.viewerElementToViewportCoordinates(new OpenSeadragon.Point(...at(event)));
    viewer.viewport.zoomBy(event.deltaY < 0 ? 1.25 : 0.8, p);
  }, { passive: false });
  for (const name of ['update-viewport', 'animation', 'resize', 'open']) viewer.addHandler(name, () => draw());

  const hundred = () => { const centre = viewer.viewport.getCenter(); viewer.viewport.zoomTo(view.after_px[0] / (mount.clientWidth * (devicePixelRatio || 1)), centre, true); };
  const stage = {
    element, shown, brush, refresh,
    // Another station, or newer files of the same one; where it is looked at stays.
    async show(next) {
      const same = view?.name === next.name;
      const changed = LAYERS.filter((kind) => (kind !== 'mask' || next.mask) && (!same || view.stamps[kind] !== next.stamps[kind]));
      view = next;
      if (!same) {
        wait += 1;
        viewer.world.removeAll();
        for (const kind of LAYERS) delete items[kind];
        strokes = []; extra = null; live = null; cursor = null;
        viewer.viewport.goHome(true);
      }
      for (const kind of ['after', 'mask', 'before'].filter((each) => changed.includes(each))) await put(kind);
      if (changed.includes('mask') && same) stage.settled();
      refresh();
    },
    // What was drawn is in the mask now.
    settled() { strokes = strokes.filter((stroke) => !stroke.saved); draw(); },
    details(json) { extra = json; draw(); },
    paintWith(paint) { brush.paint = paint; element.classList.toggle('painting', Boolean(paint)); viewer.setMouseNavEnabled(!paint); draw(); },
    zoom(factor) { viewer.viewport.zoomBy(factor); viewer.viewport.applyConstraints(); },
    fit: () => viewer.viewport.goHome(), hundred,
    pan(x, y) { viewer.viewport.panBy(new OpenSeadragon.Point(x * 0.1, y * 0.1).divide(viewer.viewport.getZoom())); },
    // The brush by keys: moved by the arrows, put down and lifted by the space bar.
    move(x, y) {
      if (!items.after) return;
      const step = Math.max(1, brush.radius / 2);
      const c = cursor ?? toImage(mount.clientWidth / 2, mount.clientHeight / 2);
      cursor = [c[0] + x * step, c[1] + y * step];
      if (live) extend(cursor);
      draw();
    },
    dip() { if (!items.after) return; cursor ??= toImage(mount.clientWidth / 2, mount.clientHeight / 2); if (live) finish(); else begin(cursor); },
    lifted: () => live === null,
    place: () => cursor,
  };
  return stage;
}
