'use strict';
(() => {
  const root = document.documentElement;
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];
  const FOOT_M = 0.3048, INCH_M = 0.0254;
  const minus = (text) => (/[1-9]/.test(text) ? text.replace('-', '\u2212') : text.replace('-', ''));
  const views = new Map();

  // Units and paper.
  const onUnits = new Set();
  for (const choice of all('input[name=units]')) {
    choice.addEventListener('change', () => {
      root.dataset.units = choice.value;
      onUnits.forEach((tell) => tell());
    });
  }
  for (const choice of all('input[name=paper]')) {
    choice.addEventListener('change', () => {
      if (choice.value) root.dataset.paper = choice.value; else delete root.dataset.paper;
      views.forEach((view) => view.inks());
    });
  }
  matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => views.forEach((view) => view.inks()));
  const feet = () => root.dataset.units === 'ft';
  const write = {
    length: (m) => {
      if (!feet()) return minus(m.toFixed(2)) + ' m';
      const tenths = Math.round(Math.abs(m) / INCH_M * 10), whole = Math.floor(tenths / 120);
      return (m < 0 && tenths ? '\u2212' : '') + (whole ? whole + '\u2032 ' : '') + ((tenths - whole * 120) / 10).toFixed(1) + '\u2033';
    },
    small: (m) => (feet() ? minus((m / INCH_M).toFixed(1)) + ' in' : minus((m * 1000).toFixed(0)) + ' mm'),
    speed: (v) => (feet() ? (v / FOOT_M).toFixed(1) + ' ft/s' : v.toFixed(1) + ' m/s'),
    time: (s) => minus(s.toFixed(3)) + ' s',
  };

  // Drawings of a stroke are put in when they are wanted: on a phone those with room for their names there.
  const narrow = matchMedia('(max-width: 40rem)');
  const draw = (article) => {
    for (const figure of all('figure.later', article)) {
      figure.insertAdjacentHTML('beforeend', figure.querySelector(narrow.matches ? 'script.phone' : 'script.wide').textContent);
      figure.classList.remove('later');
    }
  };
  addEventListener('drawall', () => draw(document));
  // On paper the drawings of a phone stand two in a row: a stroke's drawings are one page.
  const clear = () => all('svg.paper').forEach((svg) => svg.remove());
  addEventListener('beforeprint', () => {
    clear();
    for (const script of all('figure script.phone')) {
      script.insertAdjacentHTML('afterend', script.textContent);
      script.nextElementSibling.classList.add('paper');
    }
  });
  addEventListener('afterprint', clear);

  // Sorting the session table.
  for (const table of all('table.sortable')) {
    const heads = all('thead th', table);
    heads.forEach((head, column) => head.querySelector('button').addEventListener('click', () => {
      const up = head.getAttribute('aria-sort') !== 'ascending';
      heads.forEach((other) => other.removeAttribute('aria-sort'));
      head.setAttribute('aria-sort', up ? 'ascending' : 'descending');
      const key = (row) => row.cells[column].dataset.v ?? row.cells[column].textContent.trim();
      const body = table.tBodies[0];
      const rows = [...body.rows].sort((a, b) => {
        const [p, q] = [key(a), key(b)], numbers = p !== '' && q !== '' && !isNaN(p) && !isNaN(q);
        const empty = (row) => row.cells[column].classList.contains('n') && row.cells[column].dataset.v === undefined;
        if (empty(a) !== empty(b)) return empty(a) ? 1 : -1;
        return (numbers ? p - q : p.localeCompare(q)) * (up ? 1 : -1);
      });
      body.append(...rows);
    }));
  }

  // Ranking by what the reader picks; nothing is ranked before.
  for (const box of all('.ranking')) {
    const rows = JSON.parse(box.querySelector('script').textContent);
    const pick = box.querySelector('select'), down = box.querySelector('input'), list = box.querySelector('ol');
    const order = () => {
      const chosen = rows.filter((row) => row.figure === pick.value).sort((a, b) => (a.value - b.value) * (down.checked ? -1 : 1));
      list.replaceChildren(...chosen.map((row) => {
        const item = document.createElement('li');
        for (const [text, unit] of [[row.m, 'u-m'], [row.ft, 'u-ft']]) {
          const span = document.createElement('span');
          if (row.m !== row.ft) span.className = unit;
          else if (unit === 'u-ft') continue;
          span.textContent = text;
          item.append(span);
        }
        item.prepend(row.who + ': ');
        return item;
      }));
    };
    pick.addEventListener('change', order);
    down.addEventListener('change', order);
    order();
  }

  // Definitions on hover and focus, from the list at the end of the page.
  const tip = document.getElementById('definition');
  const showDefinition = (link) => {
    const entry = document.getElementById(link.hash.slice(1));
    if (!entry) return;
    tip.innerHTML = entry.querySelector('dd').innerHTML;
    tip.hidden = false;
    link.setAttribute('aria-describedby', 'definition');
    const box = link.getBoundingClientRect();
    tip.style.left = Math.max(8, Math.min(box.left, innerWidth - tip.offsetWidth - 12)) + scrollX + 'px';
    const below = box.bottom + tip.offsetHeight + 12 < innerHeight;
    tip.style.top = (below ? box.bottom + 6 : box.top - tip.offsetHeight - 6) + scrollY + 'px';
  };
  const hideDefinition = () => {
    tip.hidden = true;
    all('a.def[aria-describedby]').forEach((link) => link.removeAttribute('aria-describedby'));
  };
  for (const [begin, end] of [['mouseover', 'mouseout'], ['focusin', 'focusout']]) {
    document.addEventListener(begin, (event) => {
      const link = event.target.closest?.('a.def');
      if (link) showDefinition(link);
    });
    document.addEventListener(end, (event) => { if (event.target.closest?.('a.def')) hideDefinition(); });
  }
  document.addEventListener('keydown', (event) => { if (event.key === 'Escape') hideDefinition(); });

  // One cursor through all drawings of a stroke.
  const SVG = 'http://www.w3.org/2000/svg';
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

  const setUp = (article) => {
    draw(article);
    const data = JSON.parse(article.querySelector('script.data').textContent);
    data.peak = Math.max(...data.v.slice(data.w[0], data.w[1]), 1e-9);
    const slider = article.querySelector('.moment'), reading = article.querySelector('.reading');
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
        const box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal;
        const px = (event.clientX - box.left) * view.width / box.width, py = (event.clientY - box.top) * view.height / box.height;
        let best = 0, least = Infinity;
        for (let k = 0; k < data.t.length; k++) {
          if (inside[name] && (k < data.w[0] || k >= data.w[1])) continue;
          const [x, y] = at(k);
          const far = timed || name === 'power' ? Math.abs(x - px) : Math.hypot(x - px, ((y ?? py) - py) * (name === 'side' ? 1 : 0.3));
          if (far < least) { least = far; best = k; }
        }
        return best;
      };
      svg.addEventListener('pointermove', (event) => { if (event.pointerType === 'mouse' || event.buttons) show(point(event)); });
      svg.addEventListener('pointerdown', (event) => show(point(event)));
      return { name, timed, dot, line, at };
    });
    let seek = () => {};
    const show = (k) => {
      slider.value = k;
      seek(k);
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
      views.get(article)?.moment(k);
    };
    // The film runs with the moment: moving the moment seeks in it, playing it moves the moment.
    const film = article.querySelector('video');
    if (film) {
      film.poster = film.dataset.poster ?? '';
      const at = film.dataset.t.split(' ').map(Number), fps = +film.dataset.fps;
      const nearest = (list, t) => list.reduce((best, v, k) => (Math.abs(v - t) < Math.abs(list[best] - t) ? k : best), 0);
      seek = (k) => {
        if (!film.paused || film.readyState < 1) return;
        film.currentTime = (nearest(at, data.t[k]) + 0.5) / fps;
      };
      const follow = () => {
        if (!film.paused) {
          show(nearest(data.t, at[Math.min(at.length - 1, Math.floor(film.currentTime * fps))]));
          requestAnimationFrame(follow);
        }
      };
      film.addEventListener('play', follow);
      film.addEventListener('pointerenter', () => { if (film.readyState < 1) { film.preload = 'auto'; film.load(); } }, { once: true });
      slider.addEventListener('pointerdown', () => { if (film.readyState < 1) { film.preload = 'auto'; film.load(); } }, { once: true });
    }
    slider.addEventListener('input', () => show(+slider.value));
    onUnits.add(() => show(+slider.value));
    const play = article.querySelector('.play');
    let running = 0;
    play.addEventListener('click', () => {
      if (running) { cancelAnimationFrame(running); running = 0; play.textContent = 'play'; return; }
      play.textContent = 'pause';
      const last = data.t.length - 1;
      const from = +slider.value >= last ? 0 : +slider.value, began = performance.now();
      const step = (now) => {
        const t = data.t[from] + (now - began) / 10000;
        let k = from;
        while (k < last && data.t[k + 1] <= t) k++;
        show(k);
        if (k < last) running = requestAnimationFrame(step);
        else { running = 0; play.textContent = 'play'; }
      };
      running = requestAnimationFrame(step);
    });
    show(Math.max(0, Math.min(data.t.length - 1, data.w[1] - 1)));
    return data;
  };

  // One moment through the drawings over time that stand together.
  for (const group of all('.linked')) {
    const timed = all('svg[data-panel=overlay-time]', group).map((svg) => {
      const [ox, sx] = svg.dataset.x.split(' ').map(Number), [bottom, top] = svg.dataset.span.split(' ').map(Number);
      const line = document.createElementNS(SVG, 'line');
      line.setAttribute('class', 'cursor-line');
      line.setAttribute('visibility', 'hidden');
      line.setAttribute('y1', bottom);
      line.setAttribute('y2', top);
      svg.append(line);
      return { svg, ox, sx, line };
    });
    for (const { svg, ox, sx } of timed) {
      const move = (event) => {
        const box = svg.getBoundingClientRect();
        const t = ((event.clientX - box.left) * svg.viewBox.baseVal.width / box.width - ox) / sx;
        for (const other of timed) {
          const x = (other.ox + other.sx * t).toFixed(2);
          other.line.setAttribute('x1', x);
          other.line.setAttribute('x2', x);
          other.line.setAttribute('visibility', 'visible');
        }
      };
      svg.addEventListener('pointermove', move);
      svg.addEventListener('pointerdown', move);
      svg.addEventListener('pointerleave', () => timed.forEach((other) => other.line.setAttribute('visibility', 'hidden')));
    }
  }

  // Strokes come alive when they come near; the script for space is read only then.
  const alive = new Map();
  const wake = (article) => {
    if (alive.has(article)) return;
    const data = setUp(article);
    alive.set(article, data);
    const space = article.querySelector('.space');
    if (!window.spaceView) {
      const script = document.createElement('script');
      script.textContent = document.getElementById('space-view').textContent;
      document.body.append(script);
    }
    if (window.spaceView && space) {
      const view = window.spaceView(space, data);
      views.set(article, view);
      view.moment(+article.querySelector('.moment').value);
    }
  };
  if ('IntersectionObserver' in window) {
    const watch = new IntersectionObserver((entries) => {
      for (const entry of entries) if (entry.isIntersecting) { watch.unobserve(entry.target); wake(entry.target); }
    }, { rootMargin: '800px' });
    all('article.stroke').forEach((article) => watch.observe(article));
  } else all('article.stroke').forEach(wake);
})();
