'use strict';
const root = document.documentElement;
const all = (selector, within = document) => [...within.querySelectorAll(selector)];
const FOOT_M = 0.3048, INCH_M = 0.0254, SVG = 'http://www.w3.org/2000/svg';
const minus = (text) => (/[1-9]/.test(text) ? text.replace('-', '\u2212') : text.replace('-', ''));

// Units and paper.
const onUnits = new Set();
for (const choice of all('input[name=units]')) {
  choice.addEventListener('change', () => {
    root.dataset.units = choice.value;
    onUnits.forEach((tell) => tell());
  });
}
for (const choice of all('input[name=paper]')) {
  choice.addEventListener('change', () => { if (choice.value) root.dataset.paper = choice.value; else delete root.dataset.paper; });
}
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

// How wide a text of a drawing is.
const pen = document.createElement('canvas').getContext('2d');
const wide = (text, size) => {
  pen.font = `${size}px ${getComputedStyle(document.body).fontFamily}`;
  return pen.measureText(text).width;
};

// Drawings are put in when the part of the page they stand in is opened: on a phone those with room for their names there.
const narrow = matchMedia('(max-width: 40rem)');
const draw = (within) => {
  for (const figure of all('figure.later', within)) {
    const script = narrow.matches && figure.querySelector('script.phone') || figure.querySelector('script.wide');
    figure.insertAdjacentHTML('beforeend', script.textContent);
    figure.classList.remove('later');
  }
};
document.addEventListener('toggle', (event) => {
  if (event.target.open && !event.target.closest('article.stroke')) draw(event.target);
}, true);

// What an address points to is opened on the way.
const reveal = () => {
  const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
  if (!target) return;
  for (let at = target; at; at = at.parentElement) if (at.tagName === 'DETAILS') at.open = true;
  const own = target.matches('article.stroke') && target.querySelector('details');
  if (own) own.open = true;
  target.scrollIntoView();
};
addEventListener('hashchange', reveal);
addEventListener('DOMContentLoaded', reveal);

// On paper a wide drawing of an open stroke is the one with room for its names at half the width.
const clear = () => all('svg.paper').forEach((svg) => svg.remove());
addEventListener('beforeprint', () => {
  clear();
  all('details[open]').forEach(draw);
  for (const script of all('details[open] figure script.phone')) {
    script.insertAdjacentHTML('afterend', script.textContent);
    script.nextElementSibling.classList.add('paper');
  }
});
addEventListener('afterprint', clear);
for (const button of all('.print-all')) {
  button.addEventListener('click', () => {
    all('main details').forEach((details) => { details.open = true; });
    draw(document);
    requestAnimationFrame(() => print());
  });
}

// Sorting.
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
const definition = document.getElementById('definition');
const showDefinition = (link) => {
  const entry = document.getElementById(link.hash.slice(1));
  if (!entry) return;
  definition.innerHTML = entry.querySelector('dd').innerHTML;
  definition.hidden = false;
  link.setAttribute('aria-describedby', 'definition');
  const box = link.getBoundingClientRect();
  definition.style.left = Math.max(8, Math.min(box.left, innerWidth - definition.offsetWidth - 12)) + scrollX + 'px';
  const below = box.bottom + definition.offsetHeight + 12 < innerHeight;
  definition.style.top = (below ? box.bottom + 6 : box.top - definition.offsetHeight - 6) + scrollY + 'px';
};
const hideDefinition = () => {
  definition.hidden = true;
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

// One moment through the drawings over time that stand together, once they are there.
const link = (group) => {
  const timed = all('svg[data-panel=overlay-time]', group).map((svg) => {
    const [ox, sx] = svg.dataset.x.split(' ').map(Number), [bottom, top] = svg.dataset.span.split(' ').map(Number);
    const line = svg.querySelector('line.cursor-line') ?? document.createElementNS(SVG, 'line');
    line.setAttribute('class', 'cursor-line');
    line.setAttribute('visibility', 'hidden');
    line.setAttribute('y1', bottom);
    line.setAttribute('y2', top);
    svg.append(line);
    return { svg, ox, sx, line };
  });
  return timed;
};
for (const group of all('.linked')) {
  let timed = [];
  const move = (event) => {
    const svg = event.target.closest?.('svg[data-panel=overlay-time]');
    if (!svg) return;
    if (!timed.length) timed = link(group);
    const { ox, sx } = timed.find((one) => one.svg === svg), box = svg.getBoundingClientRect();
    const t = ((event.clientX - box.left) * svg.viewBox.baseVal.width / box.width - ox) / sx;
    for (const other of timed) {
      const x = (other.ox + other.sx * t).toFixed(2);
      other.line.setAttribute('x1', x);
      other.line.setAttribute('x2', x);
      other.line.setAttribute('visibility', 'visible');
    }
  };
  group.addEventListener('pointermove', move);
  group.addEventListener('pointerdown', move);
  group.addEventListener('pointerleave', () => timed.forEach((other) => other.line.setAttribute('visibility', 'hidden')));
}
