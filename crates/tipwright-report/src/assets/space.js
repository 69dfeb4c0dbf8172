
// A path in space, drawn as lines in SVG: sharp on paper, inks from the page's style, no graphics card needed. The eye is far
// away (no perspective), so lengths along a view's own plane are true.
//
// Each cast: `at` takes a place of its own to the shared one, `ink` is the class of its lines.
const PLACES = [[1, -7], [-1, -7], [0, -14], [1, 4], [-1, 4], [1, 16], [-1, 16], [0, 22], [0, -28], [1, -24], [-1, -24]];
// A piece of line has a part inside an upright box: left, top, right, bottom.
const runsThrough = ([[x0, y0], [x1, y1]], [left, top, right, bottom]) => {
  let from = 0, to = 1;
  for (const [p, q] of [[x0 - x1, x0 - left], [x1 - x0, right - x0], [y0 - y1, y0 - top], [y1 - y0, bottom - y0]]) {
    if (p === 0 && q <= 0) return false;
    if (p < 0) from = Math.max(from, q / p);
    if (p > 0) to = Math.min(to, q / p);
  }
  return from < to;
};
const spaceView = (element, casts) => {
  const svg = document.createElementNS(SVG, 'svg');
  svg.setAttribute('class', 'plot');
  svg.setAttribute('aria-hidden', 'true');
  element.replaceChildren(svg);
  const tips = casts.map(({ data, at }) => data.x.map((x, k) => at([x, data.y[k], data.z[k]])));
  const lines = [], names = [];
  const add = (kind, points) => {
    const node = document.createElementNS(SVG, 'polyline');
    node.setAttribute('class', kind);
    svg.append(node);
    lines.push({ node, points, kind });
    return lines.at(-1);
  };
  const everything = casts.flatMap(({ data, at }, n) => [...tips[n], ...[...(data.rods ?? []).flat(), ...(data.loop ?? []).flat()].map(at)]);
  const span = (k) => [Math.min(...everything.map((p) => p[k])), Math.max(...everything.map((p) => p[k]))];
  const [x0, x1] = span(0), [y0, y1] = span(1), [z0, z1] = span(2);
  const reach = Math.max(x1 - x0, y1 - y0, z1 - z0), floor = z0 - 0.08 * reach;
  const middle = [(x0 + x1) / 2, (y0 + y1) / 2, (floor + z1) / 2];
  const down = (v) => Math.floor(v / 0.5) * 0.5, up = (v) => Math.ceil(v / 0.5) * 0.5;
  const [fx0, fx1, fy0, fy1] = [down(x0), up(x1), down(y0 - 0.5), up(y1 + 0.5)];
  for (let x = fx0; x <= fx1 + 1e-9; x += 0.5) add('grid', [[x, fy0, floor], [x, fy1, floor]]);
  for (let y = fy0; y <= fy1 + 1e-9; y += 0.5) add('grid', [[fx0, y, floor], [fx1, y, floor]]);
  const marks = casts.map(({ data, ink, at }, n) => {
    const tip = tips[n];
    add('leader', tip.map((p) => [p[0], p[1], floor]));
    for (let k = 0; k < tip.length; k += 10) add('grid', [tip[k], [tip[k][0], tip[k][1], floor]]);
    // The rod bends from the butt's axis to the tip: the curve between is drawn, not measured.
    for (const rod of data.rods ?? []) {
      const [butt, knee, end] = rod.map(at);
      const curve = (f) => butt.map((b, k) => (1 - f) ** 2 * b + 2 * f * (1 - f) * knee[k] + f * f * end[k]);
      add(casts.length > 1 ? `${ink} thin` : 'rod', Array.from({ length: 13 }, (_, k) => curve(k / 12)));
    }
    for (const leg of data.loop ?? []) if (leg.length > 1) add(`${ink} thin`, leg.map(at));
    add('chord', data.chord.map(at));
    add(`${ink} outside`, tip);
    add(ink, tip.slice(data.w[0], data.w[1]));
    const mark = document.createElementNS(SVG, 'circle');
    mark.setAttribute('class', 'cursor');
    mark.setAttribute('r', '5');
    svg.append(mark);
    for (const [name, ...place] of data.marks ?? []) {
      const node = document.createElementNS(SVG, 'text');
      node.textContent = name;
      svg.append(node);
      names.push({ node, place: at(place), width: wide(name, 12) });
    }
    return mark;
  });

  const VIEWS = { side: [-Math.PI / 2, 0], above: [-Math.PI / 2, Math.PI / 2], behind: [Math.PI, 0.06], aslant: [-2.07, 0.36] };
  let [around, over] = VIEWS.aslant, zoom = 1, perM = 1, now = casts.map(() => 0), wanted = 0;
  const size = () => [Math.max(element.clientWidth, 50), Math.max(element.clientHeight, 50)];
  const seen = (p) => {
    const [x, y, z] = p.map((v, k) => v - middle[k]);
    const [ca, sa, ce, se] = [Math.cos(around), Math.sin(around), Math.cos(over), Math.sin(over)];
    return [-sa * x + ca * y, -se * ca * x - se * sa * y + ce * z];
  };
  const corners = [x0, x1].flatMap((x) => [y0, y1].flatMap((y) => [floor, z1].map((z) => [x, y, z])));
  const fit = () => {
    const [width, height] = size(), places = corners.map(seen);
    const half = (k) => Math.max(0.1, ...places.map((p) => Math.abs(p[k])));
    perM = Math.min(width / half(0), height / half(1)) / 2 / 1.12;
    render();
  };
  const paint = () => {
    wanted = 0;
    const [width, height] = size();
    svg.setAttribute('width', width);
    svg.setAttribute('height', height);
    svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
    const at = (p) => { const [x, y] = seen(p); return [width / 2 + x * perM * zoom, height / 2 - y * perM * zoom]; };
    const curves = [];
    for (const { node, points, kind } of lines) {
      const drawn = points.map(at);
      node.setAttribute('points', drawn.map((p) => p.map((v) => v.toFixed(1)).join()).join(' '));
      if (kind !== 'grid') curves.push(...drawn.slice(1).map((p, k) => [drawn[k], p]));
    }
    marks.forEach((mark, n) => {
      const [cx, cy] = at(tips[n][now[n]]);
      mark.setAttribute('cx', cx.toFixed(1));
      mark.setAttribute('cy', cy.toFixed(1));
    });
    // A name stands beside its moment where it lies on nothing; where there is no such place it is not shown.
    const taken = [];
    for (const { node, place, width: long } of names) {
      const [x, y] = at(place);
      const boxes = PLACES.map(([dx, dy]) => [x + dx * 8 + (dx - 1) / 2 * long, y + dy - 10, x + dx * 8 + (dx + 1) / 2 * long, y + dy + 4]);
      const box = boxes.find((b) => b[0] > 0 && b[1] > 0 && b[2] < width && b[3] < height
        && !taken.some((t) => b[0] < t[2] && t[0] < b[2] && b[1] < t[3] && t[1] < b[3]) && !curves.some((line) => runsThrough(line, b)));
      node.style.display = box ? '' : 'none';
      if (!box) continue;
      taken.push(box);
      node.setAttribute('x', box[0].toFixed(1));
      node.setAttribute('y', (box[3] - 4).toFixed(1));
    }
  };
  const render = () => { wanted ||= requestAnimationFrame(paint); };
  const turn = (by, lift) => {
    around += by;
    over = Math.max(-1.5, Math.min(Math.PI / 2, over + lift));
    render();
  };
  const near = (factor) => { zoom = Math.max(0.5, Math.min(12, zoom * factor)); render(); };
  element.addEventListener('keydown', (event) => {
    const turns = { ArrowLeft: [-0.12, 0], ArrowRight: [0.12, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] }[event.key];
    if (turns) turn(...turns);
    else if (event.key === '+' || event.key === '=') near(1.2);
    else if (event.key === '-') near(1 / 1.2);
    else return;
    event.preventDefault();
  });
  // One finger turns, two bring nearer; up and down belongs to the page on a phone.
  const fingers = new Map();
  element.addEventListener('pointerdown', (event) => { element.setPointerCapture(event.pointerId); fingers.set(event.pointerId, [event.clientX, event.clientY]); });
  for (const end of ['pointerup', 'pointercancel']) element.addEventListener(end, (event) => fingers.delete(event.pointerId));
  element.addEventListener('pointermove', (event) => {
    const was = fingers.get(event.pointerId);
    if (!was) return;
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const far = (p) => Math.max(1, Math.hypot(p[0] - other[0], p[1] - other[1]));
      near(far([event.clientX, event.clientY]) / far(was));
    } else turn((was[0] - event.clientX) * 0.01, (event.clientY - was[1]) * 0.01);
    fingers.set(event.pointerId, [event.clientX, event.clientY]);
  });
  element.addEventListener('wheel', (event) => {
    if (!event.ctrlKey) return;
    near(Math.exp(-event.deltaY * 0.01));
    event.preventDefault();
  }, { passive: false });
  new ResizeObserver(fit).observe(element);
  fit();
  return {
    moment(...k) { now = k; render(); },
    view(name) { [around, over] = VIEWS[name]; zoom = 1; fit(); },
  };
};
