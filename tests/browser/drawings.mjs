// What is looked at in every drawing: that no text lies over a curve, a mark or another text, and that leaders meet their texts. Over
// guides (rules of the grid, dotted lines of moments and zero) and filled bands a text may stand.
import { readdirSync } from 'node:fs';
import path from 'node:path';
import { check, open } from './support.mjs';

// In drawing units. A text's own box: what its letters cover, from the top of capitals to the foot of a comma.
const inPage = () => {
  const CURVES = 'polyline:not(.when), polygon:not([class^=band], .dipfill), line:not(.grid, .when, .zero, .axis), path, circle, rect:not(.cell, .sheet, .volume)';
  const shown = (e) => e.getClientRects().length > 0 && e.getAttribute('visibility') !== 'hidden';
  const round = (v) => v.toFixed(0);

  const segmentsOf = (e) => {
    const number = (name) => +e.getAttribute(name);
    const joined = (points, closed) => points.slice(1).map((p, k) => [points[k], p]).concat(closed && points.length ? [[points.at(-1), points[0]]] : []);
    switch (e.tagName) {
      case 'line': return [[[number('x1'), number('y1')], [number('x2'), number('y2')]]];
      case 'polyline': case 'polygon': {
        const values = (e.getAttribute('points') ?? '').trim().split(/[\s,]+/).map(Number), points = [];
        for (let k = 0; k + 1 < values.length; k += 2) points.push([values[k], values[k + 1]]);
        return joined(points, e.tagName === 'polygon');
      }
      default: {
        const long = e.getTotalLength(), steps = Math.max(1, Math.ceil(long / 2));
        return joined(Array.from({ length: steps + 1 }, (_, k) => { const p = e.getPointAtLength(long * k / steps); return [p.x, p.y]; }), false);
      }
    }
  };
  // A piece of line has a part inside an upright box (Liang and Barsky, ACM Trans. Graph. 3 (1984) 1).
  const crosses = ([[x0, y0], [x1, y1]], box) => {
    let [from, to] = [0, 1];
    for (const [p, q] of [[x0 - x1, x0 - box.left], [x1 - x0, box.right - x0], [y0 - y1, y0 - box.top], [y1 - y0, box.bottom - y0]]) {
      if (p === 0 ? q <= 0 : false) return false;
      if (p < 0) from = Math.max(from, q / p);
      if (p > 0) to = Math.min(to, q / p);
    }
    return from < to;
  };
  const boxOf = (text) => {
    const own = text.getBBox(), size = parseFloat(getComputedStyle(text).fontSize), line = +text.getAttribute('y');
    return { left: own.x + 0.5, right: own.x + own.width - 0.5, top: line - 0.7 * size, bottom: line + 0.2 * size };
  };
  const moved = (e, svg) => {
    const m = svg.getScreenCTM().inverse().multiply(e.getScreenCTM());
    return (x, y) => [m.a * x + m.c * y + m.e, m.b * x + m.d * y + m.f];
  };

  // In full ink a curve ends at the marks of its ends, ring and diamond, not a frame before.
  const ENDED = ['side', 'profile', 'top', 'speed', 'bend', 'butt'];
  const cornersOf = (e) => segmentsOf(e).map(([a]) => a);
  const middle = (corners) => [0, 1].map((k) => corners.reduce((sum, p) => sum + p[k], 0) / corners.length);
  const shortOf = (svg) => {
    const ends = [...svg.querySelectorAll('polyline.path-forward:not(.outside, .thin), polyline.path-back:not(.outside, .thin)')].flatMap((e) => {
      const parts = segmentsOf(e);
      return [parts[0][0], parts.at(-1)[1]];
    });
    const diamonds = [...svg.querySelectorAll('polygon.mark.full')].map(cornersOf).filter((c) => c.length === 4 && Math.abs(c[0][0] - c[2][0]) < 0.2);
    const marks = [...svg.querySelectorAll('circle.mark')].map((c) => [+c.getAttribute('cx'), +c.getAttribute('cy')]).concat(diamonds.map(middle));
    return marks.map((m) => Math.min(...ends.map((p) => Math.hypot(p[0] - m[0], p[1] - m[1])))).filter((off) => off > 1);
  };
  // One tick alone says nothing of the scale. What ends at the left of a forest are the names of its rows.
  const alone = (svg) => (svg.dataset.panel === 'forest' ? ['middle'] : ['end', 'middle']).filter((side) => [...svg.querySelectorAll(`text.tick[text-anchor=${side}]`)].filter(shown).length === 1);

  const out = { over: [], missed: [], short: [], ticks: [], pressed: [] };
  for (const svg of document.querySelectorAll('svg.plot')) {
    if (!shown(svg)) continue;
    const name = `${svg.closest('article, section')?.id ?? ''} ${svg.dataset.panel ?? svg.dataset.pair ?? ''}`;
    const texts = [...svg.querySelectorAll('text')].filter(shown).map((e) => {
      const box = boxOf(e), to = moved(e, svg), [left, top] = to(box.left, box.top), [right, bottom] = to(box.right, box.bottom);
      return { text: e.textContent, box: { left, top, right, bottom } };
    });
    if (ENDED.includes(svg.dataset.panel)) out.short.push(...shortOf(svg).map((off) => `${name}: a curve ends ${off.toFixed(1)} px from its mark`));
    if (svg.dataset.panel || svg.dataset.pair) out.ticks.push(...alone(svg).map((side) => `${name}: one tick alone (${side})`));
    out.pressed.push(...texts.filter((t) => /stretched 0/.test(t.text)).map((t) => `${name}: ${t.text}`));
    for (const e of svg.querySelectorAll(CURVES)) {
      if (!shown(e) || e.closest('defs, .space') && e.matches('.grid, circle') || /^cursor/.test(e.getAttribute('class') ?? '')) continue;
      const to = moved(e, svg), segments = segmentsOf(e).map(([a, b]) => [to(...a), to(...b)]);
      const kind = e.getAttribute('class') ?? e.tagName;
      for (const { text, box } of texts) {
        if (segments.some((s) => crosses(s, box))) out.over.push(`${name}: "${text}" lies over ${kind}`);
      }
      if (kind !== 'leader' || e.tagName !== 'path') continue;
      const [x, y] = segments.at(-1)[1];
      const far = Math.min(...texts.map(({ box }) => Math.hypot(Math.max(box.left - x, 0, x - box.right), Math.max(box.top - y, 0, y - box.bottom))));
      if (far > 5) out.missed.push(`${name}: a leader ends ${round(far)} px from every text`);
    }
  }
  return out;
};

export const labelsInTheWay = (page) => page.evaluate(inPage);

const overlaps = (page) => page.evaluate(() => {
  const found = [];
  for (const svg of document.querySelectorAll('svg.plot')) {
    const texts = [...svg.querySelectorAll('text')].filter((t) => t.getClientRects().length > 0);
    const own = svg.getScreenCTM().inverse();
    const boxes = texts.map((t) => {
      const box = t.getBBox(), { x, y } = new DOMPoint(box.x, box.y).matrixTransform(own.multiply(t.getScreenCTM()));
      return { x, y, width: box.width, height: box.height };
    });
    const view = svg.viewBox.baseVal;
    boxes.forEach((a, i) => {
      const name = `${svg.closest('article, section')?.id} ${svg.dataset.panel ?? ''} "${texts[i].textContent}"`;
      if (a.x < -0.5 || a.y < -0.5 || a.x + a.width > view.width + 0.5 || a.y + a.height > view.height + 0.5) found.push(`${name} runs out of its drawing`);
      for (let j = i + 1; j < boxes.length; j++) {
        const b = boxes[j];
        const w = Math.min(a.x + a.width, b.x + b.width) - Math.max(a.x, b.x), h = Math.min(a.y + a.height, b.y + b.height) - Math.max(a.y, b.y);
        if (w > 1 && h > 3) found.push(`${name} lies on "${texts[j].textContent}"`);
      }
    });
  }
  return found;
});

// The smallest letters that are shown, in CSS pixels on the screen.
export const smallText = (page, least) => page.evaluate((limit) => [...document.querySelectorAll('body *')].flatMap((e) => {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
  if (!own || e.closest('script, style, .hidden, .skip') || e.getClientRects().length === 0) return [];
  const matrix = e instanceof SVGElement && e.ownerSVGElement ? e.getScreenCTM() : null;
  const size = parseFloat(getComputedStyle(e).fontSize) * (matrix ? Math.hypot(matrix.a, matrix.b) : 1);
  return size < limit ? [`${size.toFixed(1)} px "${e.textContent.trim().slice(0, 30)}"`] : [];
}), least);

export async function checkDrawings(page, name) {
  const overlapping = await overlaps(page);
  check(overlapping.length === 0, `${name}: ${overlapping.length} labels in each other's way: ${overlapping.slice(0, 5).join('; ')}`);
  const { over, missed, short, ticks, pressed } = await labelsInTheWay(page);
  check(over.length === 0, `${name}: ${over.length} labels over what is drawn: ${over.slice(0, 5).join('; ')}`);
  check(missed.length === 0, `${name}: ${missed.length} leaders miss: ${missed.slice(0, 5).join('; ')}`);
  for (const found of [short, ticks, pressed]) check(found.length === 0, `${name}: ${found.length} times ${found.slice(0, 5).join('; ')}`);
}

// The sheets of strokes and loops, files of their own.
export async function checkSheets(folder, takes) {
  for (const take of readdirSync(takes).sort()) {
    const plots = path.join(takes, take, 'plots');
    const files = readdirSync(path.join(takes, take)).includes('plots') ? readdirSync(plots).filter((f) => f.endsWith('.svg')).sort() : [];
    for (const file of files) {
      const { page, complaints } = await open(path.join(plots, file), folder);
      await checkDrawings(page, `${path.basename(folder)}/${take}/${file}`);
      check(complaints.length === 0, `${take}/${file}: ${complaints.slice(0, 4).join('; ')}`);
      await page.close();
    }
  }
}
