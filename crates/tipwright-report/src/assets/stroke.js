
// A stroke comes alive when it is opened: one moment through film, drawings and the path in space.
const unpack = (column) => {
  let last = 0;
  return column.slice(1).map((step) => (step === null ? null : (last += step) * column[0]));
};
const unpacked = (raw) => {
  const data = { ...raw };
  for (const name of ['t', 'x', 'y', 'z', 'v', 'b', 'a']) if (raw[name]) data[name] = unpack(raw[name]);
  // In the cast plane: along its level way, along and above the chord, and beside it (left is positive).
  const [a, b] = raw.along, start = raw.chord[0], level = (x, y) => a * x + b * y;
  const u0 = level(start[0], start[1]);
  data.u = data.x.map((x, k) => level(x, data.y[k]));
  const dot = (way, k) => way[0] * (data.u[k] - u0) + way[1] * (data.z[k] - start[2]);
  data.s = data.t.map((_, k) => dot(raw.chordway, k));
  data.h = data.t.map((_, k) => dot(raw.normal, k));
  data.o = data.x.map((x, k) => -b * (x - start[0]) + a * (data.y[k] - start[1]));
  data.peak = Math.max(...data.v.slice(data.w[0], data.w[1]), 1e-9);
  return data;
};
const across = {
  side: (d, k) => [d.u[k], d.z[k]],
  profile: (d, k) => [d.s[k], d.h[k]],
  top: (d, k) => [d.u[k], d.o[k]],
  speed: (d, k) => [d.t[k], d.v[k]],
  bend: (d, k) => [d.t[k], d.b?.[k]],
  butt: (d, k) => [d.t[k], d.a?.[k]],
  power: (d, k) => {
    const first = d.t[d.w[0]], last = d.t[d.w[1] - 1];
    return [(d.t[k] - first) / (last - first), d.v[k] / d.peak];
  },
};
const inside = { profile: true, power: true };
const nearest = (list, t) => {
  let low = 0, high = list.length - 1;
  while (high - low > 1) { const mid = (low + high) >> 1; if (list[mid] <= t) low = mid; else high = mid; }
  return t - list[low] <= list[high] - t ? low : high;
};

// The film follows the one clock of the page; it has none of its own. `from`: zero of the clock in the film's own times.
const filmOf = (element, from = 0) => {
  const times = element.dataset.t.split(' ').map((t) => t - from), fps = +element.dataset.fps;
  element.poster = element.dataset.poster ?? '';
  const real = times.length > 1 ? (times.length - 1) / (times.at(-1) - times[0]) : 1;
  return {
    element,
    times,
    load: () => new Promise((done) => {
      if (element.readyState >= 2) { done(); return; }
      element.addEventListener('loadeddata', done, { once: true });
      element.addEventListener('error', done, { once: true });
      setTimeout(done, 3000);
      element.preload = 'auto';
      element.load();
    }),
    rest: () => { if (!element.paused) element.pause(); },
    follow(t, rate) {
      if (element.readyState < 1) return;
      const wanted = (nearest(times, t) + 0.5) / fps, played = rate * real / fps;
      const runs = rate > 0 && t >= times[0] && t < times.at(-1) && played >= 0.07 && played <= 15;
      if (!runs && !element.paused) element.pause();
      if (Math.abs(element.currentTime - wanted) > (runs ? 4 * Math.max(1, played) : 0.4) / fps && !element.seeking) element.currentTime = wanted;
      if (runs) {
        element.playbackRate = played;
        if (element.paused) element.play().catch(() => {});
      }
    },
  };
};

// The keys of a part of the page. `plan`: first and last moment, films, and what is shown at a moment; it may change.
const clockOf = (within, plan) => {
  const play = within.querySelector('.play'), speed = within.querySelector('.rate'), again = within.querySelector('.again');
  let running = 0, clock = plan.first, moved = false;
  const stop = () => {
    cancelAnimationFrame(running);
    running = 0;
    play.textContent = 'play';
    plan.films.forEach((film) => film.rest());
  };
  const go = (t) => {
    if (running) stop();
    moved = true;
    clock = t;
    plan.show(t);
    plan.films.forEach((film) => film.load().then(() => { if (!running) film.follow(clock, 0); }));
  };
  const start = async () => {
    // From the start, unless a person chose a moment on the way.
    if (!moved || clock >= plan.last - 1e-6) clock = plan.first;
    moved = true;
    running = -1;
    play.textContent = 'pause';
    await Promise.all(plan.films.map((film) => film.load()));
    if (running !== -1) return;
    let before = performance.now();
    const step = (now) => {
      clock += Math.min(now - before, 250) / 1000 * +speed.value;
      before = now;
      if (clock >= plan.last) {
        if (!again.checked) { clock = plan.last; plan.show(clock); stop(); return; }
        clock = plan.first;
      }
      plan.show(clock);
      plan.films.forEach((film) => film.follow(clock, +speed.value));
      running = requestAnimationFrame(step);
    };
    running = requestAnimationFrame(step);
  };
  const press = () => (running ? stop() : start());
  play.addEventListener('click', press);
  return { go, press, again: () => { if (running) stop(); moved = false; } };
};

const wake = (article) => {
  draw(article);
  const data = unpacked(JSON.parse(article.querySelector('script.data').textContent));
  const slider = article.querySelector('.moment'), reading = article.querySelector('.reading');
  const space = article.querySelector('.space'), view = spaceView(space, [{ data, ink: `path-${data.way}`, at: (p) => p }]);
  all('.views button', article).forEach((button) => button.addEventListener('click', () => view.view(button.dataset.view)));
  const panels = all('svg[data-panel]', article).filter((svg) => across[svg.dataset.panel]).map((svg) => {
    const [ox, sx] = svg.dataset.x.split(' ').map(Number), [oy, sy] = svg.dataset.y.split(' ').map(Number);
    const [bottom, top] = svg.dataset.span.split(' ').map(Number);
    const dot = document.createElementNS(SVG, 'circle');
    dot.setAttribute('class', 'cursor');
    dot.setAttribute('r', '5');
    dot.setAttribute('visibility', 'hidden');
    const line = document.createElementNS(SVG, 'line');
    line.setAttribute('class', 'cursor-line');
    line.setAttribute('visibility', 'hidden');
    line.setAttribute('y1', bottom);
    line.setAttribute('y2', top);
    svg.append(line, dot);
    const name = svg.dataset.panel, timed = ['speed', 'bend', 'butt'].includes(name);
    const at = (k) => { const [x, y] = across[name](data, k); return [ox + sx * x, y == null ? null : oy + sy * y]; };
    const point = (event) => {
      const box = svg.getBoundingClientRect(), seen = svg.viewBox.baseVal;
      const px = (event.clientX - box.left) * seen.width / box.width, py = (event.clientY - box.top) * seen.height / box.height;
      let best = 0, least = Infinity;
      for (let k = 0; k < data.t.length; k++) {
        if (inside[name] && (k < data.w[0] || k >= data.w[1])) continue;
        const [x, y] = at(k);
        const far = timed || name === 'power' ? Math.abs(x - px) : Math.hypot(x - px, ((y ?? py) - py) * (name === 'side' ? 1 : 0.3));
        if (far < least) { least = far; best = k; }
      }
      return best;
    };
    svg.addEventListener('pointermove', (event) => { if (event.pointerType === 'mouse' || event.buttons) go(point(event)); });
    svg.addEventListener('pointerdown', (event) => go(point(event)));
    return { name, timed, dot, line, at };
  });

  // What is shown at a moment.
  const show = (k) => {
    slider.value = k;
    for (const { name, timed, dot, line, at } of panels) {
      const out = inside[name] && (k < data.w[0] || k >= data.w[1]);
      const [x, y] = at(k);
      const seen = out || y == null ? 'hidden' : 'visible';
      dot.setAttribute('visibility', seen);
      if (seen === 'visible') { dot.setAttribute('cx', x.toFixed(2)); dot.setAttribute('cy', y.toFixed(2)); }
      line.setAttribute('visibility', timed ? 'visible' : 'hidden');
      if (timed) { line.setAttribute('x1', x.toFixed(2)); line.setAttribute('x2', x.toFixed(2)); }
    }
    const parts = [write.time(data.t[k]), write.speed(data.v[k]), write.small(data.h[k]) + ' over the chord', write.small(data.o[k]) + ' off the plane'];
    if (data.b?.[k] != null) parts.push('bend ' + write.length(data.b[k]));
    if (data.a?.[k] != null) parts.push('butt ' + data.a[k].toFixed(0) + '\u00b0');
    reading.textContent = parts.join(', ');
    slider.setAttribute('aria-valuetext', reading.textContent);
    view.moment(k);
  };

  const film = article.querySelector('video') && filmOf(article.querySelector('video'));
  const plan = { first: data.t[0], last: data.t.at(-1), films: film ? [film] : [], show: (t) => show(nearest(data.t, t)) };
  const clock = clockOf(article, plan);
  const go = (k) => clock.go(data.t[k]);
  film?.element.addEventListener('click', clock.press);
  all('.step', article).forEach((button) => button.addEventListener('click', () => {
    // A frame of the film where there is one, otherwise a sample.
    const by = +button.dataset.by, k = +slider.value, times = film?.times ?? [];
    const to = times.length ? nearest(data.t, times[Math.max(0, Math.min(times.length - 1, nearest(times, data.t[k]) + by))]) : k + by;
    go(Math.max(0, Math.min(data.t.length - 1, to === k ? k + by : to)));
  }));
  slider.addEventListener('input', () => go(+slider.value));
  onUnits.add(() => show(+slider.value));
  show(Math.max(0, Math.min(data.t.length - 1, data.w[1] - 1)));
};
for (const article of all('article.stroke')) {
  const details = article.querySelector('details');
  let awake = false;
  const open = () => {
    if (!details.open || awake) return;
    awake = true;
    wake(article);
  };
  details.addEventListener('toggle', open);
  open();
}
