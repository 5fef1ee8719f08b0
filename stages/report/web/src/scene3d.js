// The rig in three dimensions: the specimen stands still, the cameras stand around it. World frame:
// millimetres, Z up along the rotation axis; three.js draws it.
import {
  BufferGeometry, Color, DoubleSide, Float32BufferAttribute, Group, LineBasicMaterial, LineSegments, Matrix4, Mesh,
  MeshBasicMaterial, PerspectiveCamera, Points, PointsMaterial, Raycaster, SRGBColorSpace, Scene, TextureLoader,
  Vector2, Vector3, WebGLRenderer,
} from 'three';
import { OrbitControls } from 'three/examples/jsm/controls/OrbitControls.js';
import { colour, h } from './dom.js';
import { QUANTITIES, STATES, known, number, ordered, place, report } from './model.js';

const geometry = report.geometry;
const posed = ordered.filter((station) => station.view);

// Rows of camera_from_world from a quaternion w, x, y, z.
function rotation([w, x, y, z]) {
  return [
    [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
    [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
    [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
  ];
}

// Corners of the image at depth 1, as directions in the camera frame (telecentric: as offsets).
function corners() {
  const { width_px: w, height_px: hgt, fx, fy, cx_px: cx, cy_px: cy } = geometry.camera;
  return [[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, hgt - 0.5], [-0.5, hgt - 0.5]].map(([u, v]) => [(u - cx) / fx, (v - cy) / fy]);
}

// The typical distance of the cameras from the axis point they look at sets every size.
function reach() {
  const d = posed.map((station) => new Vector3(...station.view.pose.centre_mm).length()).sort((a, b) => a - b);
  return d[d.length >> 1] || 1;
}

class Rig {
  constructor(box, canvas, tip, open) {
    this.box = box; this.canvas = canvas; this.tip = tip; this.open = open;
    this.magnify = 1;
    this.reach = reach();
    this.telecentric = geometry.camera.projection === 'telecentric';
    // Without buffer kept, a page that is printed or photographed shows an empty frame.
    this.renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true, alpha: true });
    this.renderer.setPixelRatio(Math.min(2, window.devicePixelRatio));
    this.scene = new Scene();
    this.camera = new PerspectiveCamera(38, 1, this.reach / 500, this.reach * 50);
    this.camera.up.set(0, 0, 1);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.addEventListener('change', () => this.draw());
    this.controls.maxDistance = this.reach * 12;
    this.controls.minDistance = this.reach / 50;
    this.raycaster = new Raycaster();
    this.home();
    this.build();
    new ResizeObserver(() => this.resize()).observe(box);
    this.resize();
    this.listen();
  }

  home() {
    this.camera.position.set(1.35, -1.85, 1.25).multiplyScalar(this.reach);
    this.controls.target.set(0, 0, this.middle());
    this.controls.update();
  }

  // Half way between the specimen and the cameras' mean height.
  middle() {
    const z = posed.map((station) => station.view.pose.centre_mm[2]);
    return z.length ? z.reduce((a, b) => a + b, 0) / z.length / 2 : 0;
  }

  // Position and rows of a view's pose; a difference from the prior is drawn `magnify` times.
  poseOf(view, which) {
    const pose = view[which];
    const R = rotation(pose.rotation_wxyz);
    let C = new Vector3(...pose.centre_mm);
    if (which === 'pose' && this.magnify !== 1) {
      const prior = new Vector3(...view.prior.centre_mm);
      C = prior.clone().add(C.sub(prior).multiplyScalar(this.magnify));
    }
    return { R, C };
  }

  toWorld({ R, C }, x, y, z) {
    return new Vector3(
      C.x + R[0][0] * x + R[1][0] * y + R[2][0] * z,
      C.y + R[0][1] * x + R[1][1] * y + R[2][1] * z,
      C.z + R[0][2] * x + R[1][2] * y + R[2][2] * z);
  }

  frustum(view, which) {
    const pose = this.poseOf(view, which);
    // Lenses for small things see a few degrees: true pyramids would be needles with pictures too
    // small to know. They show place and direction; the picture takes its share of the ring.
    const span = Math.abs(this.edges[2][0] - this.edges[0][0]) || 1;
    const width = Math.min(0.24, 8 / Math.max(24, posed.length)) * this.reach;
    const depth = width * 0.9;
    const scale = width / span;
    return { apex: pose.C, corners: this.edges.map(([x, y]) => this.toWorld(pose, x * scale, y * scale, depth)),
      back: this.telecentric ? this.edges.map(([x, y]) => this.toWorld(pose, x * scale, y * scale, 0)) : null };
  }

  build() {
    this.edges = corners();
    this.parts = { axis: new Group(), pictures: new Group(), refined: new Group(), prior: new Group(), points: new Group(), moves: new Group() };
    for (const part of Object.values(this.parts)) this.scene.add(part);
    this.buildAxis();
    this.buildPoints();
    this.buildFrusta();
  }

  lines(group, positions, name, opacity = 1) {
    if (positions.length === 0) return;
    const shape = new BufferGeometry();
    shape.setAttribute('position', new Float32BufferAttribute(positions.flatMap((p) => [p.x, p.y, p.z]), 3));
    group.add(new LineSegments(shape, new LineBasicMaterial({ color: new Color(colour(name)), transparent: opacity < 1, opacity })));
  }

  buildAxis() {
    const top = Math.max(this.reach * 0.5, ...posed.map((station) => station.view.pose.centre_mm[2] * 1.05));
    const low = -this.reach * 0.3;
    this.lines(this.parts.axis, [new Vector3(0, 0, low), new Vector3(0, 0, top)], '--ink');
    const plate = [];
    const steps = 72;
    for (let i = 0; i < steps; ++i) {
      for (const k of [i, i + 1]) plate.push(new Vector3(0.3 * this.reach * Math.cos((k / steps) * 2 * Math.PI), 0.3 * this.reach * Math.sin((k / steps) * 2 * Math.PI), 0));
    }
    this.lines(this.parts.axis, plate, '--soft', 0.6);
  }

  buildPoints() {
    const list = geometry.tie_points_x_y_z_mm_r_g_b;
    if (list.length === 0) return;
    const shape = new BufferGeometry();
    shape.setAttribute('position', new Float32BufferAttribute(list.flatMap((p) => p.slice(0, 3)), 3));
    const tint = new Color();
    shape.setAttribute('color', new Float32BufferAttribute(list.flatMap((p) => {
      tint.setRGB(p[3] / 255, p[4] / 255, p[5] / 255, SRGBColorSpace);
      return [tint.r, tint.g, tint.b];
    }), 3));
    this.parts.points.add(new Points(shape, new PointsMaterial({ size: 2.5, sizeAttenuation: false, vertexColors: true })));
  }

  buildFrusta() {
    for (const name of ['pictures', 'refined', 'prior', 'moves']) {
      this.parts[name].traverse((object) => { object.geometry?.dispose(); object.material?.dispose(); });
      this.parts[name].clear();
    }
    this.textures ??= new Map();
    const edges = { fine: [], doubt: [], fault: [] };
    const priors = [];
    const moves = [];
    for (const station of posed) {
      const now = this.frustum(station.view, 'pose');
      this.outline(now, edges[station.state]);
      this.picture(station, now.corners);
      if (!geometry.refined) continue;
      const prior = this.frustum(station.view, 'prior');
      this.outline(prior, priors);
      moves.push(prior.apex, now.apex);
    }
    for (const gap of ordered.filter((station) => station.gap)) this.outlineGap(gap, edges.fault);
    for (const [state, list] of Object.entries(edges)) this.lines(this.parts.refined, list, `--${state}`);
    this.lines(this.parts.prior, priors, '--soft', 0.45);
    this.lines(this.parts.moves, moves, '--fault');
  }

  // Where the camera of a missing station would have stood: that of another station of its ring,
  // turned about the axis. Growing stage angles move the camera clockwise.
  outlineGap(gap, list) {
    const neighbour = posed.find((station) => station.ring === gap.ring);
    if (!neighbour) return;
    const { apex, corners: c, back } = this.frustum(neighbour.view, 'prior');
    const turn = new Matrix4().makeRotationZ(((neighbour.angle - gap.angle) * Math.PI) / 180);
    for (const point of [apex, ...c, ...(back ?? [])]) point.applyMatrix4(turn);
    this.outline({ apex, corners: c, back }, list);
    list.push(c[0], c[2], c[1], c[3]);
  }

  outline({ apex, corners: c, back }, list) {
    for (let i = 0; i < 4; ++i) list.push(c[i], c[(i + 1) % 4], back ? back[i] : apex, c[i]);
    if (back) for (let i = 0; i < 4; ++i) list.push(back[i], back[(i + 1) % 4]);
  }

  picture(station, [a, b, c, d]) {
    const shape = new BufferGeometry();
    shape.setAttribute('position', new Float32BufferAttribute([a, b, c, d].flatMap((p) => [p.x, p.y, p.z]), 3));
    shape.setAttribute('uv', new Float32BufferAttribute([0, 1, 1, 1, 1, 0, 0, 0], 2));
    shape.setIndex([0, 1, 2, 0, 2, 3]);
    const material = new MeshBasicMaterial({ side: DoubleSide, color: 0xffffff });
    if (station.view.small) {
      if (!this.textures.has(station.id)) {
        const texture = new TextureLoader().load(station.view.small, () => this.draw());
        texture.colorSpace = SRGBColorSpace;
        this.textures.set(station.id, texture);
      }
      material.map = this.textures.get(station.id);
    } else material.color.set(colour('--room'));
    const mesh = new Mesh(shape, material);
    mesh.userData.station = station;
    this.parts.pictures.add(mesh);
  }

  mark(station) {
    this.marked?.removeFromParent();
    this.marked = null;
    if (station?.view) {
      const group = new Group();
      const { apex, corners: c } = this.frustum(station.view, 'pose');
      const list = [];
      this.outline({ apex, corners: c }, list);
      list.push(apex, new Vector3(0, 0, 0));
      this.lines(group, list, '--link');
      this.marked = group;
      this.scene.add(group);
    }
    this.draw();
  }

  recolour() {
    for (const part of [this.parts.axis, this.parts.points]) part.clear();
    this.buildAxis(); this.buildPoints(); this.buildFrusta();
    this.draw();
  }

  resize() {
    const width = this.box.clientWidth;
    const height = Math.min(Math.max(300, width * 0.6), window.innerHeight * 0.8);
    if (width === 0) return;
    this.renderer.setSize(width, height);
    this.camera.aspect = width / height;
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() { this.renderer.render(this.scene, this.camera); }

  // Turns about the axis and towards or away from it; the keyboard's way around.
  orbit(azimuth, polar, zoom) {
    const offset = this.camera.position.clone().sub(this.controls.target);
    const side = new Vector3(0, 0, 1).cross(offset).normalize();
    offset.applyMatrix4(new Matrix4().makeRotationZ(azimuth));
    const tilt = new Matrix4().makeRotationAxis(side.applyMatrix4(new Matrix4().makeRotationZ(azimuth)), polar);
    const tilted = offset.clone().applyMatrix4(tilt);
    if (Math.abs(tilted.z / tilted.length()) < 0.985) offset.copy(tilted);
    this.camera.position.copy(this.controls.target).add(offset.multiplyScalar(zoom));
    this.controls.update();
    this.draw();
  }

  stationAt(event) {
    const r = this.canvas.getBoundingClientRect();
    this.raycaster.setFromCamera(new Vector2(((event.clientX - r.left) / r.width) * 2 - 1, 1 - ((event.clientY - r.top) / r.height) * 2), this.camera);
    return this.raycaster.intersectObjects(this.parts.pictures.children)[0]?.object.userData.station ?? null;
  }

  listen() {
    const keys = { ArrowLeft: [-0.12, 0, 1], ArrowRight: [0.12, 0, 1], ArrowUp: [0, -0.1, 1], ArrowDown: [0, 0.1, 1], '+': [0, 0, 0.88], '=': [0, 0, 0.88], '-': [0, 0, 1.14] };
    this.canvas.addEventListener('keydown', (event) => {
      if (event.key in keys) this.orbit(...keys[event.key]);
      else if (event.key === '0' || event.key === 'Home') this.home();
      else return;
      event.preventDefault();
    });
    let pressed = null;
    this.canvas.addEventListener('pointerdown', (event) => { pressed = [event.clientX, event.clientY]; });
    this.canvas.addEventListener('pointermove', (event) => {
      const station = event.buttons ? null : this.stationAt(event);
      this.canvas.style.cursor = station ? 'pointer' : 'grab';
      this.hover(station, event);
    });
    this.canvas.addEventListener('pointerleave', () => this.hover(null));
    this.canvas.addEventListener('click', (event) => {
      if (pressed && Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) > 4) return;
      const station = this.stationAt(event);
      if (station) this.open(station, this.canvas);
    });
  }

  hover(station, event) {
    if (station !== this.hovered) { this.hovered = station; this.mark(station); }
    this.tip.hidden = !station;
    if (!station) return;
    this.tip.replaceChildren(...numbers(station));
    const r = this.box.getBoundingClientRect();
    const x = event.clientX - r.left;
    this.tip.style.left = `${Math.min(x + 16, r.width - this.tip.offsetWidth - 4)}px`;
    this.tip.style.top = `${event.clientY - r.top + 16}px`;
  }
}

function numbers(station) {
  return [
    h('strong', {}, `${place(station)}, ${number(station.angle, 4)}\u00b0`, station.state === 'fine' ? '' : ` (${STATES[station.state].word})`),
    h('dl', {}, QUANTITIES.map((q) => [q, q.of(station.view)]).filter(([, v]) => known(v)).map(([q, v]) => [h('dt', {}, q.name), h('dd', {}, q.text(v))])),
  ];
}

export function rigSection(open) {
  if (posed.length === 0) return null;
  const canvas = h('canvas', { tabindex: 0, role: 'application', 'aria-label': 'The rig in three dimensions: arrow keys turn it, plus and minus zoom, zero resets; the station list beside it gives the numbers' });
  const tip = h('div', { class: 'tip', hidden: true });
  const box = h('div', { class: 'rig-box' }, canvas, tip);
  const chosen = h('div', { class: 'rig-chosen', 'aria-live': 'polite' });
  const list = h('select', {}, h('option', { value: '' }, 'none'), posed.map((station) => h('option', { value: station.id }, place(station) + (station.state === 'fine' ? '' : ` (${STATES[station.state].word})`))));
  const controls = h('div', { class: 'rig-controls' });
  const section = h('section', { 'aria-labelledby': 'rig-title', id: 'rig' }, h('h2', { id: 'rig-title' }, 'The rig'),
    h('p', { class: 'lead' }, 'The specimen is fixed on the axis; each camera is drawn at its position relative to the specimen. Drag to turn, scroll to zoom, point at a picture for its numbers, press it to open it. The pyramids show position and viewing direction of a camera, not its field of view; a crossed one is a missing station.'),
    h('div', { class: 'rig' }, box, controls));

  let rig = null;
  const start = () => {
    if (rig) return;
    try {
      rig = new Rig(box, canvas, tip, open);
      canvas.dataset.ready = 'true';
    } catch {
      box.replaceChildren(h('p', { class: 'rig-none' }, 'This browser draws no 3D graphics (WebGL is off). The poses are in the table of stations below and in report.json.'));
    }
  };
  const part = (name, text, on = true) => h('label', {}, h('input', { type: 'checkbox', checked: on, 'data-part': name, onchange: (event) => {
    if (!rig) return;
    for (const key of name.split(' ')) rig.parts[key].visible = event.target.checked;
    rig.draw();
  } }), text);
  const press = (text, label, ...motion) => h('button', { type: 'button', 'aria-label': label, onclick: () => (motion.length ? rig?.orbit(...motion) : rig?.home()) }, text);
  controls.append(
    h('div', { class: 'rig-keys', role: 'group', 'aria-label': 'Turn and zoom' },
      press('\u2190', 'Turn left', -0.3, 0, 1), press('\u2192', 'Turn right', 0.3, 0, 1), press('\u2191', 'Higher', 0, -0.2, 1),
      press('\u2193', 'Lower', 0, 0.2, 1), press('+', 'Closer', 0, 0, 0.8), press('\u2212', 'Farther', 0, 0, 1.25), press('Reset', 'Reset the view')),
    h('div', { class: 'rig-parts', role: 'group', 'aria-label': 'What is shown' },
      part('pictures', 'pictures'), part('refined', geometry.refined ? 'refined cameras' : 'cameras'),
      geometry.refined ? part('prior', 'priors (grey)') : null, geometry.refined ? part('moves', 'shift from prior to refined') : null,
      part('axis', 'axis and stage plane'), geometry.tie_points_total > 0 ? part('points', `tie points (${geometry.tie_points_x_y_z_mm_r_g_b.length} of ${geometry.tie_points_total})`) : null),
    geometry.refined ? h('label', { class: 'rig-magnify' }, 'shifts drawn ', h('output', {}, '1'), ' times as long',
      h('input', { type: 'range', min: 0, max: 2, step: 0.05, value: 0, oninput: (event) => {
        const factor = Math.round(10 ** Number(event.target.value));
        event.target.parentElement.querySelector('output').textContent = factor;
        if (!rig) return;
        rig.magnify = factor;
        rig.buildFrusta();
        rig.draw();
      } })) : null,
    h('label', {}, 'Station ', list), chosen);
  list.addEventListener('change', () => {
    const station = posed.find((x) => x.id === list.value);
    rig?.mark(station);
    chosen.replaceChildren(...(station ? [...numbers(station), h('button', { type: 'button', onclick: (event) => open(station, event.currentTarget) }, 'Open')] : []));
  });

  // The first picture of the page must not wait for the graphics card.
  new IntersectionObserver((entries, observer) => {
    if (entries.some((entry) => entry.isIntersecting)) { observer.disconnect(); start(); }
  }, { rootMargin: '300px' }).observe(box);
  window.addEventListener('beforeprint', start);
  document.addEventListener('themechange', () => rig?.recolour());
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => rig?.recolour());
  return section;
}
