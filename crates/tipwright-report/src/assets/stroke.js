
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

// Films follow the one clock of the page; they have none of their own. `from`: zero of the clock in the film's own times.
const RATES = [0.07, 15];
const filmOf = (element, from = 0) => {
  const times = element.dataset.t.split(' ').map((t) => t - from), fps = +element.dataset.fps;
  element.poster = element.dataset.poster ?? '';
  const real = times.length > 1 ? (times.length - 1) / (times.at(-1) - times[0]) : 1;
  // Where in the film a moment is: a frame stands for half of the way from the one before to half of the way to the next.
  const place = (t) => {
    const k = nearest(times, t), next = times[k] <= t ? k + 1 : k - 1;
    return (k + 0.5 + (next in times ? (next - k) * (t - times[k]) / (times[next] - times[k]) : 0)) / fps;
  };
  let loading = null, runs = false, rested = null;
  const stand = () => {
    const to = (nearest(times, rested) + 0.5) / fps;
    if (!element.seeking && Math.abs(element.currentTime - to) > 0.4 / fps) element.currentTime = to;
  };
  element.addEventListener('seeked', () => { if (!runs && rested !== null) stand(); });
  const load = () => {
    loading ??= new Promise((done) => {
      if (element.readyState >= 2) { done(); return; }
      element.addEventListener('loadeddata', done, { once: true });
      element.addEventListener('error', done, { once: true });
      setTimeout(done, 3000);
      element.preload = 'auto';
      element.load();
    });
    return loading;
  };
  const rest = () => { runs = false; if (!element.paused) element.pause(); };
  // At rest it shows the frame nearest to the moment; running it is drawn on or held back until it is where the clock is.
  const follow = (t, rate) => {
    if (element.readyState < 1) return;
    const played = rate * real / fps, [slowest, fastest] = RATES;
    if (!(rate > 0 && t >= times[0] && t < times.at(-1) && played >= slowest && played <= fastest)) {
      rest();
      rested = t;
      stand();
      return;
    }
    runs = true;
    const off = place(t) - element.currentTime, late = off / played;
    if (Math.abs(late) > 0.3) {
      if (!element.seeking) element.currentTime = place(t);
    } else {
      const near = Math.abs(off) < 0.05 / fps || Math.abs(late) < 0.006;
      const pace = Math.max(slowest, Math.min(fastest, played * (near ? 1 : 1 + Math.max(-0.5, Math.min(0.5, 3 * late)))));
      if (Math.abs(element.playbackRate / pace - 1) > 0.02) element.playbackRate = pace;
    }
    if (element.paused) element.play().catch(() => {});
  };
  // Loaded, and at its place for a moment.
  const ready = async (t) => {
    await load();
    follow(t, 0);
    if (element.seeking) await new Promise((done) => { element.addEventListener('seeked', done, { once: true }); setTimeout(done, 1000); });
  };
  const seeks = () => runs && !element.error && (element.seeking || element.readyState < 3);
  return { element, times, load, rest, follow, ready, seeks };
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
  const settle = () => plan.films.forEach((film) => film.load().then(() => { if (!running) film.follow(clock, 0); }));
  const go = (t) => {
    if (running) stop();
    moved = true;
    clock = t;
    plan.show(t);
    settle();
  };
  const start = async () => {
    // From the start, unless a person chose a moment on the way.
    if (!moved || clock >= plan.last - 1e-6) clock = plan.first;
    moved = true;
    running = -1;
    play.textContent = 'pause';
    await Promise.all(plan.films.map((film) => film.ready(clock)));
    if (running !== -1) return;
    let before = performance.now(), waited = 0;
    const step = (now) => {
      const passed = Math.min(now - before, 250);
      before = now;
      // All wait for a film that is looking for its place, but not for ever.
      waited = plan.films.some((film) => film.seeks()) ? waited + passed : 0;
      if (waited === 0 || waited > 1000) clock += passed / 1000 * +speed.value;
      if (clock >= plan.last) {
        if (!again.checked) { clock = plan.last; plan.show(clock); stop(); settle(); return; }
        clock = plan.first;
      }
      plan.show(clock);
      plan.films.forEach((film) => film.follow(clock, +speed.value));
      running = requestAnimationFrame(step);
    };
    running = requestAnimationFrame(step);
  };
  const press = () => {
    if (!running) { start(); return; }
    stop();
    // Stopped, every film shows the frame of the moment that the drawings show.
    settle();
  };
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

  const films = all('video', article).map((video) => filmOf(video));
  const plan = { first: data.t[0], last: data.t.at(-1), films, show: (t) => show(nearest(data.t, t)) };
  const clock = clockOf(article, plan);
  const go = (k) => clock.go(data.t[k]);
  films.forEach((film) => film.element.addEventListener('click', clock.press));
  // A step is a frame of the fastest film, without one a sample.
  const times = films.map((film) => film.times).sort((p, q) => q.length - p.length)[0] ?? [];
  all('.step', article).forEach((button) => button.addEventListener('click', () => {
    const by = +button.dataset.by, k = +slider.value;
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
