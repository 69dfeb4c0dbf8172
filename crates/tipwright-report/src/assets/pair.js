// Two casts over each other, aligned at a moment of both: there the tip of both is at the zero of the drawings.
const pairPart = document.getElementById('pair');
if (pairPart) {
  const figures = Object.fromEntries(JSON.parse(pairPart.querySelector('script.kinds').textContent));
  const raws = new Map(all('script.cast', pairPart).map((script) => [script.dataset.id, script]));
  const kept = new Map();
  const castOf = (id) => {
    if (!kept.has(id)) kept.set(id, unpacked(JSON.parse(raws.get(id).textContent)));
    return kept.get(id);
  };
  const [first, second, align] = ['first', 'second', 'align'].map((name) => pairPart.querySelector(`select.${name}`));
  const byCamera = pairPart.querySelector('select.camera');
  const MOMENTS = { rsp: 'rod straight', stop: 'the stop', start: 'the start' };
  const part = (name) => pairPart.querySelector(name);

  // A column at a moment, between its samples; null where there is nothing.
  const valueAt = (data, name, t) => {
    const list = data.t, column = data[name];
    if (!column || t < list[0] - 1e-6 || t > list.at(-1) + 1e-6) return null;
    let low = 0, high = list.length - 1;
    while (high - low > 1) { const mid = (low + high) >> 1; if (list[mid] <= t) low = mid; else high = mid; }
    const f = Math.max(0, Math.min(1, (t - list[low]) / (list[high] - list[low])));
    return column[low] == null || column[high] == null ? null : column[low] + f * (column[high] - column[low]);
  };

  // A cast as it is drawn: the moment `zero` of its own times is the zero of time, the tip's place then that of space; `sign` turns a cast
  // round that goes the other way.
  const drawn = (data, moment, sign) => {
    const zero = data.events[moment] ?? 0, [a, b] = data.along;
    const place = ['x', 'y', 'z'].map((name) => valueAt(data, name, zero) ?? data[name][0]);
    const u0 = a * place[0] + b * place[1], z0 = place[2];
    const own = (name, t) => valueAt(data, name, t + zero);
    const side = (t) => { const u = own('u', t); return u === null ? null : [sign * (u - u0), own('z', t) - z0]; };
    const at = ([x, y, z]) => [sign * (x - place[0]), sign * (y - place[1]), z - z0];
    const since = (t) => (t == null ? null : t - zero);
    const span = [since(data.events.start) ?? data.t[data.w[0]] - zero, since(data.events.rsp) ?? data.t[data.w[1] - 1] - zero];
    const stop = since(data.events.stop) ?? span[1];
    // How the rod stood: butt, a point on the butt's axis, and tip, in the side view of the cast's own frame.
    const pose = (t) => {
      const bend = own('b', t), angle = own('a', t), tip = [own('u', t), own('z', t)];
      if (bend === null || angle === null || tip[0] === null) return null;
      const axis = [Math.cos(angle * Math.PI / 180), Math.sin(angle * Math.PI / 180)];
      const behind = data.way === 'forward' ? [-axis[1], axis[0]] : [axis[1], -axis[0]];
      // The reach of a circular arc of the rod's length with that bend.
      const turn = Math.min(2 * Math.abs(bend) / data.rodm, 2), reach = turn > 1e-6 ? data.rodm * Math.sin(turn) / turn : data.rodm;
      const butt = [0, 1].map((k) => tip[k] - reach * axis[k] - bend * behind[k]);
      const long = Math.hypot(tip[0] - butt[0], tip[1] - butt[1]);
      return [butt, [0, 1].map((k) => butt[k] + 0.55 * long * axis[k]), tip];
    };
    const rod = (t) => pose(t)?.map(([u, z]) => [sign * (u - u0), z - z0]) ?? null;
    const rodInSpace = (t) => {
      const found = pose(t), across = -b * own('x', t) + a * own('y', t);
      return found && found.map(([u, z]) => [u * a - across * b, u * b + across * a, z]);
    };
    const angle = (t) => { const v = own('a', t); return v === null ? null : sign < 0 ? 180 - v : v; };
    const curve = (get, from, to) => {
      const times = [from, ...data.t.map((t) => t - zero).filter((t) => t > from + 1e-6 && t < to - 1e-6), to];
      return times.map((t) => get(t)).filter((p) => p && p.every((v) => v !== null));
    };
    return { data, zero, own, side, at, span, stop, rod, rodInSpace, angle, curve, since };
  };

  // What tells the two apart, short enough to stand at a line.
  const short = (text) => ([...text].length > 16 ? [...text].slice(0, 15).join('') + '\u2026' : text);
  const namesOf = (pair) => {
    const [p, q] = pair.map((cast) => cast.data.name);
    const key = ['who', 'phase', 'take', 'session'].find((k) => p[k] && q[k] && p[k] !== q[k]) ?? 'who';
    const text = (n) => `${short(n[key])}, ${n.stroke}`;
    return text(p) === text(q) ? [`first: ${text(p)}`, `second: ${text(q)}`] : [text(p), text(q)];
  };

  let view = null, shownAt = 0, pair = [], panels = [], names = [];
  const plan = { first: 0, last: 1, films: [], show: () => {} };
  const clock = clockOf(pairPart, plan);
  const slider = part('.moment');

  const drawBoth = () => {
    const [width, height, high] = FRAME[narrow.matches ? 'phone' : 'page'];
    const moment = MOMENTS[align.value] ?? 'the beginning', when = `s from ${moment.replace(/^the /, '')}`;
    const ends = (cast) => [cast.span[0] - 0.05, Math.max(cast.stop, cast.span[1]) + 0.1];
    const lines = (get) => pair.flatMap((cast, n) => {
      const [from, to] = ends(cast);
      return [[`series-${n} thin`, cast.curve(get(cast), from, cast.span[0])], [`series-${n}`, cast.curve(get(cast), ...cast.span)],
        [`series-${n} thin`, cast.curve(get(cast), cast.span[1], to)]];
    });
    const marks = (get) => pair.flatMap((cast) => ['start', 'rsp', 'stop'].map((shape) => [shape, cast.data.events[shape] == null ? null : get(cast)(cast.since(cast.data.events[shape]))]))
      .filter(([, place]) => place && place.every((v) => v !== null));
    // Each name may stand along its line, the first toward the beginning.
    const named = (get, spans = pair.map((cast) => cast.span)) => pair.map((cast, n) => {
      const [from, to] = spans[n], shares = n ? [0.75, 0.6, 0.9, 0.45, 0.3, 0.15] : [0.25, 0.4, 0.1, 0.55, 0.7, 0.85];
      return { text: names[n], kind: `t-s${n}`, places: shares.map((f) => get(cast)(from + f * (to - from))).filter((p) => p && p.every((v) => v !== null)) };
    });
    const range = (points, k, least = 0) => {
      const values = points.map((p) => p[k]), low = Math.min(...values), high = Math.max(...values), more = Math.max(0, least - (high - low)) / 2;
      return [low - more, high + more];
    };
    const make = ({ name, title, get, x, y, zero = null, least = 0, isTrue = false, more = [], ramp = null, drawnLines = lines(get), drawnMarks = marks(get), spans }) => {
      const points = [...drawnLines.flatMap(([, p]) => p), ...more.flatMap(([, p]) => p)];
      if (points.length < 2) return '';
      const [x0, x1] = range(points, 0), [y0, y1] = range(points, 1, least), air = (isTrue ? 0.05 : 0.12) * (y1 - y0 || 1), sides = isTrue ? 0.04 * (x1 - x0) : 0;
      const bottom = y.from ?? y0 - air;
      return chart({
        name, title, width, height: isTrue ? high : height, isTrue, ramp, when: zero,
        alt: `${title}: ${names.join(' and ')}, aligned at ${moment}`,
        x: { ...x, from: x0 - sides, to: x1 + sides }, y: { ...y, from: bottom, to: y1 + air },
        lines: [...more, ...drawnLines], marks: drawnMarks, names: named(get, spans),
      });
    };
    const side = (cast) => cast.side;
    const over = (get) => (cast) => (t) => { const v = get(cast, t); return v === null ? null : [t, v]; };
    const time = { kind: 'plain', unit: '', name: when };
    // The rods of both at the same moments, every tenth of a second from the aligned one.
    const from = Math.min(...pair.map((cast) => cast.span[0])), to = Math.max(...pair.map((cast) => cast.stop));
    const moments = Array.from({ length: 41 }, (_, k) => (k - 20) / 10).filter((t) => t >= from - 1e-9 && t <= to + 0.05);
    const bent = ([butt, knee, tip]) => Array.from({ length: 13 }, (_, k) => k / 12).map((f) => [0, 1].map((c) => (1 - f) ** 2 * butt[c] + 2 * f * (1 - f) * knee[c] + f * f * tip[c]));
    const rods = pair.flatMap((cast, n) => moments.map((t) => cast.rod(t)).filter(Boolean).map((pose) => [`series-${n} thin rods`, bent(pose)]));
    const power = (cast) => (share) => {
      const v = cast.own('v', cast.span[0] + share * (cast.span[1] - cast.span[0]));
      return v === null ? null : [share, v / cast.data.peak];
    };
    const shares = Array.from({ length: 101 }, (_, k) => k / 100);
      const svgs = [
      make({ name: 'side', title: rods.length ? 'Path and rod at the same moments' : 'Path of the tip, true to scale', get: side, isTrue: true, least: 0.3, more: rods,
        x: { kind: 'length', name: pair[0].data.way === pair[1].data.way ? 'forward' : 'along the cast' }, y: { kind: 'length', name: '' } }),
      make({ name: 'path', title: 'Path of the tip, heights drawn out', get: side, least: 0.3, zero: 0, x: { kind: 'length', name: `from ${moment.replace(/^the /, '')}` }, y: { kind: 'small' } }),
      make({ name: 'speed', title: 'Tip speed', get: over((cast, t) => cast.own('v', t)), zero: 0, x: time, y: { kind: 'speed', from: 0 } }),
      make({ name: 'bend', title: 'Bend of the rod', get: over((cast, t) => cast.own('b', t)), zero: 0, x: time, y: { kind: 'length' } }),
      make({ name: 'butt', title: 'Angle of the butt', get: over((cast, t) => cast.angle(t)), zero: 0, x: time, y: { kind: 'plain', unit: '\u00b0' } }),
      make({ name: 'power', title: 'Power against a straight ramp', get: power, x: { kind: 'plain', name: 'share of the stroke' }, y: { kind: 'plain', from: 0 }, drawnMarks: [],
        ramp: [[0, 0.2], [1, 1]], spans: [[0, 1], [0, 1]], drawnLines: pair.map((cast, n) => [`series-${n}`, shares.map(power(cast)).filter(Boolean)]) }),
    ];
    const columns = [part('.of-places'), part('.of-times')];
    columns.forEach((column, n) => {
      all('figure.drawn', column).forEach((figure) => figure.remove());
      const html = svgs.filter((svg, k) => svg && (k < 2) === (n === 0)).map((svg) => `<figure class="panel drawn">${svg}</figure>`).join('');
      column.insertAdjacentHTML('afterbegin', html);
    });
    const values = { side: side, path: side, speed: over((cast, t) => cast.own('v', t)), bend: over((cast, t) => cast.own('b', t)), butt: over((cast, t) => cast.angle(t)) };
    panels = all('svg[data-pair]', pairPart).map((svg) => {
      const [ox, sx] = svg.dataset.x.split(' ').map(Number), [oy, sy] = svg.dataset.y.split(' ').map(Number), [bottom, top] = svg.dataset.span.split(' ').map(Number);
      const name = svg.dataset.pair, timed = ['speed', 'bend', 'butt'].includes(name), get = values[name];
      const node = (kind, of, settings = {}) => {
        const made = document.createElementNS(SVG, of);
        made.setAttribute('class', kind);
        for (const [key, value] of Object.entries(settings)) made.setAttribute(key, value);
        svg.append(made);
        return made;
      };
      const line = timed && node('cursor-line', 'line', { y1: bottom, y2: top });
      const now = name === 'side' ? pair.map((_, n) => node(`series-${n} now`, 'polyline')) : [];
      const dots = get ? pair.map(() => node('cursor', 'circle', { r: 5 })) : [];
      const point = (event) => {
        if (!timed) return;
        const box = svg.getBoundingClientRect();
        clock.go(Math.max(plan.first, Math.min(plan.last, ((event.clientX - box.left) * svg.viewBox.baseVal.width / box.width - ox) / sx)));
      };
      svg.addEventListener('pointermove', (event) => { if (event.pointerType === 'mouse' || event.buttons) point(event); });
      svg.addEventListener('pointerdown', point);
      return {
        show(t) {
          dots.forEach((dot, n) => {
            const place = get(pair[n])(t), seen = place && place.every((v) => v !== null);
            dot.setAttribute('visibility', seen ? 'visible' : 'hidden');
            if (seen) { dot.setAttribute('cx', (ox + sx * place[0]).toFixed(2)); dot.setAttribute('cy', (oy + sy * place[1]).toFixed(2)); }
          });
          now.forEach((rod, n) => {
            const pose = pair[n].rod(t);
            rod.setAttribute('points', pose ? bent(pose).map(([a, b]) => `${(ox + sx * a).toFixed(2)},${(oy + sy * b).toFixed(2)}`).join(' ') : '');
          });
          if (line) for (const end of ['x1', 'x2']) line.setAttribute(end, (ox + sx * t).toFixed(2));
        },
      };
    });
    // Space, with the rods at the same moments.
    const room = part('.space'), fresh = room.cloneNode(false);
    room.replaceWith(fresh);
    const inSpace = pair.map((cast, n) => ({ data: { ...cast.data, rods: moments.map((t) => cast.own('x', t) === null ? null : cast.rodInSpace(t)).filter(Boolean) }, ink: `series-${n}`, at: cast.at }));
    view = spaceView(fresh, inSpace);
  };

  // Figures of both and their difference; errors of the two are taken as independent.
  const table = (rows, label, caption) => {
    if (!rows.length) return '';
    const heads = ['figure', ...names, 'second minus first'];
    const body = rows.map((row) => `<tr role="row"><td role="cell" class="lead"><a class="def" href="#def-${row.key}">${markup(figures[row.key].name)}</a></td>`
      + row.texts.map((html, k) => `<td role="cell" class="n" data-name="${markup(heads[k + 1])}">${html}</td>`).join('') + '</tr>').join('');
    return `<div class="scroll" role="region" tabindex="0" aria-label="${label}"><table role="table" class="folds"><caption>${caption}</caption><thead role="rowgroup"><tr role="row">`
      + heads.map((head, k) => `<th scope="col" role="columnheader"${k ? ' class="n"' : ''}>${markup(head)}</th>`).join('') + `</tr></thead><tbody role="rowgroup">${body}</tbody></table></div>`;
  };
  const compare = () => {
    const [p, q] = pair.map((cast) => cast.data.figures), told = [], untold = [], alone = [], unlike = [];
    const alike = pair[0].data.source === pair[1].data.source;
    for (const key of Object.keys(figures)) {
      if (!p[key] || !q[key]) {
        if (p[key] || q[key]) alone.push(figures[key].name);
        continue;
      }
      if (figures[key].ends && !alike) {
        unlike.push(figures[key].name);
        continue;
      }
      const difference = q[key][0] - p[key][0], sd = Math.hypot(p[key][1], q[key][1]), half = HALF_95 * sd;
      const texts = [[...p[key]], [...q[key]], [difference, sd]].map(([value, own]) => figureHtml(figures[key], value, own));
      (Math.abs(difference) > half ? told : untold).push({ key, texts, difference, half });
    }
    const none = '<p class="said">No figure differs beyond what the measurement can tell.</p>';
    part('.differences').innerHTML = (told.length ? table(told, 'Figures that differ', 'What differs beyond the error of measurement') : none)
      + (untold.length ? `<details class="fold"><summary><h3>${untold.length} that can\u2019t be told apart</h3></summary>${table(untold, 'Figures that can\u2019t be told apart', 'Differences within the error of measurement')}</details>` : '')
      + (alone.length ? `<p class="aside">Measured in one of the two only: ${markup(alone.join(', '))}.</p>` : '')
      + (unlike.length ? `<p class="aside">Not compared, for they end where the rod is straight, which the bend tells in one and the speed in the other: ${markup(unlike.join(', '))}.</p>` : '');
  };

  const show = (t) => {
    shownAt = t;
    slider.value = Math.round((t - plan.first) * 240);
    panels.forEach((panel) => panel.show(t));
    const said = pair.map((cast, n) => {
      const v = cast.own('v', t), b = cast.own('b', t), a = cast.angle(t);
      const parts = [v === null ? 'not measured here' : write.speed(v)];
      if (b !== null) parts.push('bend ' + write.length(b));
      if (a !== null) parts.push('butt ' + a.toFixed(0) + '\u00b0');
      return `${names[n]}: ${parts.join(', ')}`;
    });
    part('.reading').textContent = `${write.time(t)}; ${said.join('; ')}`;
    slider.setAttribute('aria-valuetext', part('.reading').textContent);
    view?.moment(...pair.map((cast) => nearest(cast.data.t, t + cast.zero)));
  };
  const setFilms = () => {
    const place = part('.films');
    place.replaceChildren();
    plan.films = pair.flatMap((cast, n) => {
      const { films } = cast.data, film = films.find((f) => f.camera === byCamera?.value) ?? films[0];
      if (!film) return [];
      const figure = document.createElement('figure'), video = document.createElement('video'), caption = document.createElement('figcaption');
      figure.className = 'clip';
      figure.style.setProperty('--ratio', film.size[0] / film.size[1]);
      Object.assign(video, { muted: true, playsInline: true, preload: 'none', src: film.src, width: film.size[0], height: film.size[1] });
      Object.assign(video.dataset, { poster: film.poster, fps: film.fps, t: unpack(film.t).map((t) => t.toFixed(4)).join(' ') });
      video.setAttribute('aria-label', `Film of ${names[n]}, camera ${film.camera}, the path of the tip drawn in`);
      caption.textContent = `${names[n]}; camera ${film.camera}`;
      figure.append(video, caption);
      place.append(figure);
      video.addEventListener('click', clock.press);
      return [filmOf(video, cast.zero)];
    });
    place.hidden = plan.films.length === 0;
  };

  const build = () => {
    clock.again();
    const datas = [castOf(first.value), castOf(second.value)];
    for (const option of align.options) option.disabled = datas.some((data) => data.events[option.value] == null);
    if (align.selectedOptions[0]?.disabled ?? true) align.value = [...align.options].find((option) => !option.disabled)?.value ?? '';
    const differ = datas[0].way !== datas[1].way;
    pair = datas.map((data) => drawn(data, align.value, differ && data.way === 'back' ? -1 : 1));
    names = namesOf(pair);
    const said = datas.map((data, n) => `${['First', 'Second'][n]}: ${[data.name.session, data.name.who, data.name.take, data.name.phase].filter(Boolean).join(', ')}, stroke ${data.name.stroke}, ${data.kind}.`);
    if (differ) said.push('They go opposite ways: the back cast is turned round, so that both travel to the right.');
    if (datas[0].source !== datas[1].source && align.value === 'rsp') said.push('Where the rod is straight is told by the bend in one and by the speed in the other: the alignment is as good as that.');
    part('.said').textContent = said.join(' ');
    plan.first = Math.min(...pair.map((cast) => cast.span[0])) - 0.05;
    plan.last = Math.max(...pair.map((cast) => Math.max(cast.stop, cast.span[1]))) + 0.1;
    slider.max = Math.floor((plan.last - plan.first) * 240);
    setFilms();
    drawBoth();
    compare();
    show(Math.max(plan.first, Math.min(0, plan.last)));
  };
  plan.show = show;
  slider.addEventListener('input', () => clock.go(plan.first + slider.value / 240));
  all('.step', pairPart).forEach((button) => button.addEventListener('click', () => clock.go(plan.first + Math.max(0, Math.min(+slider.max, +slider.value + +button.dataset.by)) / 240)));
  all('.views button', pairPart).forEach((button) => button.addEventListener('click', () => view.view(button.dataset.view)));
  onUnits.add(() => show(shownAt));
  const fromAddress = () => {
    const asked = new URLSearchParams(location.hash.slice(1));
    if (raws.has(asked.get('first'))) first.value = asked.get('first');
    if (raws.has(asked.get('second'))) second.value = asked.get('second');
    if (asked.get('at') in MOMENTS) align.value = asked.get('at');
    build();
  };
  for (const select of [first, second, align]) {
    select.addEventListener('change', () => {
      const chosen = new URLSearchParams({ first: first.value, second: second.value, at: align.value });
      try { history.replaceState(null, '', '#' + chosen); } catch { /* the page works without */ }
      build();
    });
  }
  byCamera?.addEventListener('change', () => {
    clock.again();
    setFilms();
    clock.go(shownAt);
  });
  addEventListener('hashchange', fromAddress);
  narrow.addEventListener('change', () => { drawBoth(); show(shownAt); });
  fromAddress();
}
