// Drawings that are made on the page, in the look of the others: two curves over each other.
const markup = (text) => { const span = document.createElement('span'); span.textContent = text; return span.innerHTML.replaceAll('"', '&quot;'); };

// How a figure is written: its interval decides the decimals, two significant digits of half of it, and no more than a reader can use.
const HALF_95 = 1.959964;
const MOST = { s: 3, ms: 1, '\u00b0': 1, Hz: 2 };
const places = (half, most) => (half > 0 ? Math.min(most, Math.max(0, 1 - Number(half.toExponential(1).split('e')[1]))) : most);
const feetInches = (m, decimals) => {
  const scale = 10 ** decimals, steps = Math.round(Math.abs(m) / INCH_M * scale), whole = Math.floor(steps / (12 * scale));
  const inches = ((steps - whole * 12 * scale) / scale).toFixed(decimals) + '\u2033';
  return (m < 0 && steps ? '\u2212' : '') + (whole ? whole + '\u2032\u00a0' : '') + inches;
};
const figureText = ({ kind, unit }, value, sd, inFeet) => {
  const half = HALF_95 * sd;
  if (kind === 'count') return sd > 0 ? [minus(value.toFixed(1)), half.toFixed(1), ''] : [minus(value.toFixed(0)), '', ''];
  if (kind === 'length' && inFeet) {
    const decimals = places(half / INCH_M, 1);
    return [feetInches(value, decimals), feetInches(half, decimals), ''];
  }
  const [factor, most, written] = {
    length: [1, 3, 'm'],
    small: inFeet ? [1 / INCH_M, 2, 'in'] : [1e3, 1, 'mm'],
    speed: inFeet ? [1 / FOOT_M, 2, 'ft/s'] : [1, 2, 'm/s'],
  }[kind] ?? [1, MOST[unit] ?? 3, unit];
  const decimals = places(half * factor, most), least = 10 ** -decimals;
  return [minus((value * factor).toFixed(decimals)), Math.max(half * factor, half > 0 && half * factor < 0.5 * least ? least : 0).toFixed(decimals), written];
};
const figureHtml = (what, value, sd) => {
  const [m, ft] = [false, true].map((inFeet) => {
    const [number, half, unit] = figureText(what, value, sd, inFeet);
    const after = unit === '\u00b0' ? unit : unit && `\u00a0<small>${unit}</small>`;
    return number + (half && `<span class="pm">\u00a0\u00b1\u00a0${half}</span>`) + after;
  });
  return m === ft ? m : `<span class="u-m">${m}</span><span class="u-ft">${ft}</span>`;
};

// Round ticks; one alone says nothing of the scale: finer until there are two.
const ticksOf = (from, to, wanted, factor) => {
  const at = (count) => {
    const [low, high] = [Math.min(from, to) / factor, Math.max(from, to) / factor], raw = (high - low) / count;
    if (!(raw > 0 && Number.isFinite(raw))) return [];
    const power = 10 ** Math.floor(Math.log10(raw)), off = (step) => Math.abs(Math.log(step / raw));
    const step = [1, 2, 5, 10].map((m) => m * power).reduce((a, b) => (off(b) < off(a) ? b : a));
    const decimals = Math.min(6, Math.max(0, -Math.floor(Math.log10(step * 1.000001)))), out = [];
    for (let k = Math.ceil(low / step - 1e-9); k <= Math.floor(high / step + 1e-9) && out.length < 100; k++) out.push([k * step * factor, minus((k * step).toFixed(decimals))]);
    return out;
  };
  const finer = [0, 1, 2, 3].map((k) => at(wanted * 1.7 ** k));
  return finer.find((ticks) => ticks.length > 1) ?? finer[0];
};
const QUANTITIES = {
  length: [[1, 'm'], [FOOT_M, 'ft']],
  small: [[1e-3, 'mm'], [INCH_M, 'in']],
  speed: [[1, 'm/s'], [FOOT_M, 'ft/s']],
};
const quantity = (axis) => QUANTITIES[axis.kind] ?? [[1, axis.unit ?? '']];

const SHAPES = {
  start: ([x, y]) => `<circle class="mark" cx="${x.toFixed(2)}" cy="${y.toFixed(2)}" r="3.6"/>`,
  rsp: (at) => polygon('mark full', at, [[0, -5.4], [4.6, 0], [0, 5.4], [-4.6, 0]]),
  stop: (at) => polygon('mark', at, [[-3.6, -3.6], [3.6, -3.6], [3.6, 3.6], [-3.6, 3.6]]),
};
const polygon = (kind, [x, y], corners) => `<polygon class="${kind}" points="${corners.map(([dx, dy]) => `${(x + dx).toFixed(2)},${(y + dy).toFixed(2)}`).join(' ')}"/>`;

// The thin line from a place to a text that had to move away from it; both as corners of a box: left, top, right, bottom.
const nearestIn = ([x, y], [left, top, right, bottom]) => [Math.max(left, Math.min(x, right)), Math.max(top, Math.min(y, bottom))];
const leaderTo = (place, box) => {
  const near = nearestIn(place, box), far = Math.hypot(near[0] - place[0], near[1] - place[1]);
  return far < 13 ? null : [place.map((v, k) => v + (near[k] - v) * 7 / far), near];
};
const meet = ([a, b], [c, d]) => {
  const side = (p, q, r) => Math.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]));
  return side(a, b, c) !== side(a, b, d) && side(c, d, a) !== side(c, d, b);
};

// A true path may be long and flat: so tall its drawing is at least, for two ticks and for names beside the curves.
const LEAST_TALL = 110;

// A drawing as the text of an SVG. `lines`: kind and points, in data; `marks`: shape and place; `names`: text, its kind and places it may
// stand at; `still`: where nothing happens, a line across (`when`) or another.
const chart = ({ name, title, alt, x, y, width, height, lines, marks = [], names = [], when = null, ramp = null, isTrue = false }) => {
  const right = width - FRAME.right, area = { left: FRAME.left, right, top: FRAME.top, bottom: height - FRAME.bottom };
  let scales = { x: [x.from, x.to], y: [y.from, y.to] };
  if (isTrue) {
    const room = area.right - area.left, perM = Math.min(room / (x.to - x.from), (height - FRAME.top - FRAME.bottom) / (y.to - y.from));
    const spare = (room / perM - (x.to - x.from)) / 2, missing = Math.max(0, LEAST_TALL / perM - (y.to - y.from));
    scales = { x: [x.from - spare, x.to + spare], y: [y.from - 0.65 * missing, y.to + 0.35 * missing] };
    area.bottom = FRAME.top + (scales.y[1] - scales.y[0]) * perM;
    height = area.bottom + FRAME.bottom;
  }
  const per = { x: (area.right - area.left) / (scales.x[1] - scales.x[0]), y: (area.top - area.bottom) / (scales.y[1] - scales.y[0]) };
  const at = ([a, b]) => [area.left + (a - scales.x[0]) * per.x, area.bottom + (b - scales.y[0]) * per.y];
  const row = area.bottom + 4 + 1.05 * FRAME.tick, out = [`<text class="title" x="${area.left}" y="${area.top - 9}" text-anchor="start">${markup(title)}</text>`];
  const systems = Math.max(quantity(x).length, quantity(y).length);
  for (let k = 0; k < systems; k++) {
    const [[fx, ux], [fy, uy]] = [x, y].map((axis) => quantity(axis)[Math.min(k, quantity(axis).length - 1)]);
    const part = [];
    for (const [value, label] of ticksOf(...scales.y, isTrue ? (area.bottom - area.top) / 42 : 4.5, fy)) {
      const level = at([0, value])[1];
      part.push(`<line class="grid" x1="${area.left}" x2="${area.right}" y1="${level.toFixed(2)}" y2="${level.toFixed(2)}"/><text class="tick" x="${area.left - 6}" y="${(level + 0.34 * FRAME.tick).toFixed(2)}" text-anchor="end">${label}</text>`);
    }
    part.push(`<text class="axisname" x="${area.left - 12}" y="${row}" text-anchor="end">${uy}</text>`);
    const words = [x.name, ux].filter(Boolean).join(', '), end = width - FRAME.end, taken = end - wide(words, FRAME.tick);
    part.push(`<text class="axisname" x="${end}" y="${row}" text-anchor="end">${markup(words)}</text>`);
    for (const [value, label] of ticksOf(...scales.x, width / 85, fx)) {
      const place = at([value, 0])[0];
      if (place + wide(label, FRAME.tick) / 2 + 4 < taken && place - wide(label, FRAME.tick) / 2 > area.left - 10.5) part.push(`<line class="axis" x1="${place.toFixed(2)}" x2="${place.toFixed(2)}" y1="${area.bottom}" y2="${area.bottom + 4}"/><text class="tick" x="${place.toFixed(2)}" y="${row}" text-anchor="middle">${label}</text>`);
    }
    out.push(systems > 1 ? `<g class="${k ? 'u-ft' : 'u-m'}">${part.join('')}</g>` : part.join(''));
  }
  out.push(`<line class="axis" x1="${area.left}" x2="${area.right}" y1="${area.bottom}" y2="${area.bottom}"/>`);
  const ink = [];
  const stroke = (kind, points) => {
    const drawn = points.map(at);
    if (kind !== 'when') ink.push(...drawn.slice(1).map((p, k) => [drawn[k], p]));
    if (drawn.length > 1) out.push(`<polyline class="${kind}" points="${drawn.map((p) => p.map((v) => v.toFixed(2)).join()).join(' ')}"/>`);
  };
  if (when !== null) stroke('when', [[when, scales.y[0]], [when, scales.y[1]]]);
  if (ramp) stroke('ramp', ramp);
  for (const [kind, points] of lines) stroke(kind, points);
  const boxes = [];
  for (const [shape, place] of marks) {
    const [px, py] = at(place);
    out.push(SHAPES[shape]([px, py]));
    boxes.push([px - 6, py - 6, px + 6, py + 6]);
  }
  for (const { text, kind, places: wanted } of names) {
    let best = null;
    const w = wide(text, FRAME.note) + 2, h = 1.22 * FRAME.note;
    for (const place of wanted.map(at)) {
      for (const far of [8, 16, 28, 44, 64, 90, 120]) {
        for (const [dx, dy] of [[0, -1], [0, 1], [1, -0.7], [-1, -0.7], [1, 0.7], [-1, 0.7], [1, 0], [-1, 0]]) {
          if (best && far >= best.cost) continue;
          const cx = place[0] + dx * (far + w / 2), cy = place[1] + dy * (far + h / 2), box = [cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2];
          if (box[0] < area.left || box[2] > area.right || box[1] < area.top - 2 || box[3] > area.bottom) continue;
          if (boxes.some((b) => box[0] < b[2] && b[0] < box[2] && box[1] < b[3] && b[1] < box[3])) continue;
          const leader = leaderTo(place, box);
          if (leader && boxes.some((b) => runsThrough(leader, b))) continue;
          const around = [box[0] - 1, box[1] - 1, box[2] + 1, box[3] + 1];
          const cost = far + 400 * ink.filter((line) => runsThrough(line, around)).length + (leader ? 8 + 12 * ink.filter((line) => meet(leader, line)).length : 0);
          if (!best || cost < best.cost) best = { cost, box, place, leader };
        }
      }
    }
    if (!best) continue;
    const { box, place, leader } = best, near = nearestIn(place, box);
    if (leader) {
      out.push(`<path class="leader" d="M${leader.map((p) => p.map((v) => v.toFixed(1)).join(' ')).join('L')}"/>`);
      ink.push(leader);
    }
    boxes.push(box);
    // It hangs on the side of its point: the box is as wide as the widest letters would be.
    const share = (near[0] - box[0]) / w, [hung, anchor] = share < 0.3 ? [box[0], 'start'] : share > 0.7 ? [box[2], 'end'] : [(box[0] + box[2]) / 2, 'middle'];
    out.push(`<text class="${kind}" x="${hung.toFixed(2)}" y="${(box[1] + 11).toFixed(2)}" text-anchor="${anchor}">${markup(text)}</text>`);
  }
  const scale = (axis) => `${(axis === 'x' ? area.left : area.bottom) - scales[axis][0] * per[axis]} ${per[axis]}`;
  return `<svg class="plot" role="img" aria-label="${markup(alt)}" viewBox="0 0 ${width} ${height.toFixed(2)}" data-pair="${name}" data-x="${scale('x')}" data-y="${scale('y')}" data-span="${area.bottom} ${area.top}">${out.join('')}</svg>`;
};
