// The path of a tip in space, drawn by three.js as SVG: sharp on paper, no graphics card needed, inks from the page.
import {
  Scene, OrthographicCamera, BufferGeometry, Float32BufferAttribute, Line, LineSegments, LineBasicMaterial, Color, Vector3,
} from 'three';
import { SVGRenderer } from 'three/addons/renderers/SVGRenderer.js';
import { OrbitControls } from 'three/addons/controls/OrbitControls.js';

const NOTHING = null;

window.spaceView = function spaceView(element, data) {
  const ink = (name) => new Color(getComputedStyle(document.documentElement).getPropertyValue('--' + name).trim());
  const scene = new Scene();
  const renderer = new SVGRenderer();
  renderer.setQuality('high');
  renderer.setClearColor(new Color(0, 0, 0), 0);
  element.replaceChildren(renderer.domElement);
  renderer.domElement.setAttribute('aria-hidden', 'true');
  const camera = new OrthographicCamera(-1, 1, 1, -1, 0.1, 200);
  camera.up.set(0, 0, 1);

  const inks = [];
  const material = (name, width, opacity = 1) => {
    const made = new LineBasicMaterial({ color: ink(name), linewidth: width, opacity, transparent: opacity < 1 });
    inks.push([made, name]);
    return made;
  };
  const line = (points, made, Kind = Line) => {
    const geometry = new BufferGeometry();
    geometry.setAttribute('position', new Float32BufferAttribute(points.flat(), 3));
    const added = new Kind(geometry, made);
    added.frustumCulled = false;
    scene.add(added);
    return added;
  };

  const tip = data.x.map((x, k) => [x, data.y[k], data.z[k]]);
  const span = (k) => [Math.min(...tip.map((p) => p[k])), Math.max(...tip.map((p) => p[k]))];
  const [x0, x1] = span(0), [y0, y1] = span(1), [z0, z1] = span(2);
  const reach = Math.max(x1 - x0, y1 - y0, z1 - z0) * 0.62;

  // A floor of half-metre squares under the path, and a plumb line from every tenth instant down to it.
  const floor = z0 - 0.35 * reach;
  const middle = new Vector3((x0 + x1) / 2, (y0 + y1) / 2, (floor + z1) / 2);
  const squares = [];
  const edge = (v, up) => (up ? Math.ceil(v / 0.5) : Math.floor(v / 0.5)) * 0.5;
  const [fx0, fx1, fy0, fy1] = [edge(x0, false), edge(x1, true), edge(y0 - 0.5, false), edge(y1 + 0.5, true)];
  for (let x = fx0; x <= fx1 + 1e-9; x += 0.5) squares.push([x, fy0, floor], [x, fy1, floor]);
  for (let y = fy0; y <= fy1 + 1e-9; y += 0.5) squares.push([fx0, y, floor], [fx1, y, floor]);
  line(squares, material('rule', 0.8), LineSegments);
  line(tip.map((p) => [p[0], p[1], floor]), material('soft', 0.8));
  const plumbs = tip.filter((_, k) => k % 10 === 0).flatMap((p) => [p, [p[0], p[1], floor]]);
  line(plumbs, material('rule', 0.8), LineSegments);
  line(data.chord, material('ink', 1));
  line(tip, material(data.way, 1));
  line(tip.slice(data.w[0], data.w[1]), material(data.way, 2.4));
  const mark = line([[0, 0, -1], [0, 0, 1], [0, -1, 0], [0, 1, 0], [-1, 0, 0], [1, 0, 0]], material('ink', 1.8), LineSegments);
  mark.scale.setScalar(0.045 * reach);

  const controls = new OrbitControls(camera, element);
  controls.target.copy(middle);
  controls.enablePan = false;
  controls.enableDamping = false;
  controls.minZoom = 0.5;
  controls.maxZoom = 12;
  camera.position.copy(middle).add(new Vector3(-0.55, -1, 0.42).normalize().multiplyScalar(20));

  camera.lookAt(middle);
  camera.updateMatrixWorld();
  const room = { across: 0.1, up: 0.1 };
  for (const p of tip.flatMap((q) => [q, [q[0], q[1], floor]])) {
    const seen = new Vector3(...p).applyMatrix4(camera.matrixWorldInverse);
    room.across = Math.max(room.across, Math.abs(seen.x));
    room.up = Math.max(room.up, Math.abs(seen.y));
  }

  let wanted = NOTHING;
  const draw = () => {
    if (wanted !== NOTHING) return;
    wanted = requestAnimationFrame(() => {
      wanted = NOTHING;
      renderer.render(scene, camera);
      renderer.domElement.style.backgroundColor = 'transparent';
    });
  };
  const fit = () => {
    const width = Math.max(element.clientWidth, 50), height = Math.max(element.clientHeight, 50);
    renderer.setSize(width, height);
    // As large as fits: how far path and shadow reach to the side and up, seen from the first point of view.
    const half = Math.max(room.across, room.up * width / height) * 1.08;
    camera.left = -half; camera.right = half;
    camera.top = half * height / width; camera.bottom = -half * height / width;
    camera.updateProjectionMatrix();
    draw();
  };
  controls.addEventListener('change', draw);
  new ResizeObserver(fit).observe(element);

  const turn = (around, over) => {
    const away = camera.position.clone().sub(middle);
    const flat = Math.hypot(away.x, away.y);
    const angle = Math.atan2(away.y, away.x) + around;
    const lift = Math.max(-1.5, Math.min(1.5, Math.atan2(away.z, flat) + over));
    camera.position.set(Math.cos(lift) * Math.cos(angle), Math.cos(lift) * Math.sin(angle), Math.sin(lift))
      .multiplyScalar(20).add(middle);
    controls.update();
    draw();
  };
  element.addEventListener('keydown', (event) => {
    const turns = { ArrowLeft: [-0.12, 0], ArrowRight: [0.12, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] };
    if (turns[event.key]) turn(...turns[event.key]);
    else if (event.key === '+' || event.key === '=') camera.zoom = Math.min(12, camera.zoom * 1.2);
    else if (event.key === '-') camera.zoom = Math.max(0.5, camera.zoom / 1.2);
    else return;
    event.preventDefault();
    camera.updateProjectionMatrix();
    draw();
  });
  controls.update();
  fit();
  return {
    moment(k) {
      mark.position.set(...tip[k]);
      draw();
    },
    inks() {
      for (const [made, name] of inks) made.color = ink(name);
      draw();
    },
  };
};
