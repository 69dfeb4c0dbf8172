// Two casts over each other.
import { readdirSync } from 'node:fs';
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { DESKTOP, PHONE, check, engine, open } from './support.mjs';

// Two casts together. Of made-up copies of known shift: what is the same lies on itself, what is 0.05 s apart lies that far apart.
const pairState = (page) => page.evaluate(() => {
  const shown = (svg, n) => {
    const matrix = svg.getScreenCTM(), out = [];
    for (const line of svg.querySelectorAll(`polyline.series-${n}`)) {
      const box = line.getAttribute('class');
      out.push([box, line.getAttribute('points').trim().split(/\s+/).filter(Boolean).map((p) => {
        const { x, y } = new DOMPoint(...p.split(',').map(Number)).matrixTransform(matrix);
        return [x, y];
      })]);
    }
    return out;
  };
  const part = document.getElementById('pair');
  const drawings = [...part.querySelectorAll('svg[data-pair]'), part.querySelector('.space svg')];
  return {
    drawings: drawings.map((svg) => ({ name: svg.dataset.pair ?? 'space', perX: +(svg.dataset.x ?? '0 1').split(' ')[1] * svg.getScreenCTM().a, lines: [shown(svg, 0), shown(svg, 1)] })),
    k: +part.querySelector('.moment').value, max: +part.querySelector('.moment').max, said: part.querySelector('.said').textContent, reading: part.querySelector('.reading').textContent,
    films: [...part.querySelectorAll('video')].map((v) => v.currentTime), play: part.querySelector('.play').textContent,
    told: [...part.querySelectorAll('.differences > .scroll a.def')].map((a) => a.textContent),
    dots: [...part.querySelectorAll('svg[data-pair=speed] circle.cursor')].map((c) => c.getAttribute('cx')).join(), space: [...part.querySelectorAll('.space circle')].map((c) => c.getAttribute('cx')).join(),
  };
});

// How far a point lies from a line; farthest that the points of one line lie from another, both ways.
const offLine = ([px, py], line) => Math.min(...line.slice(1).map((b, k) => {
  const [x, y] = line[k], [dx, dy] = [b[0] - x, b[1] - y], f = Math.max(0, Math.min(1, ((px - x) * dx + (py - y) * dy) / (dx * dx + dy * dy || 1)));
  return Math.hypot(px - x - f * dx, py - y - f * dy);
}));
const apart = (p, q) => Math.max(...p.map((a) => offLine(a, q)), ...q.map((a) => offLine(a, p)));

export async function checkPair(file, folder, name) {
  for (const touch of [false, true]) {
    const label = `${name}, ${touch ? 'touch' : 'mouse'}`;
    const context = await engine.newContext({ viewport: touch ? PHONE : DESKTOP, hasTouch: touch, isMobile: touch });
    const page = await context.newPage();
    await page.goto(pathToFileURL(path.resolve(file)).href);
    const press = (what) => (touch ? what.tap() : what.click());
    const settle = () => page.waitForTimeout(150);
    await settle();
    const ids = await page.evaluate(() => [...document.querySelectorAll('#pair script.cast')].map((s) => s.dataset.id));
    const copies = ids.includes('here/2') && ids.includes('elsewhere/2');
    let compared = 0, worst = 0;
    for (const at of copies ? ['rsp', 'stop', 'start'] : []) {
      await page.selectOption('#pair select.first', 'here/2');
      await page.selectOption('#pair select.second', 'elsewhere/2');
      await page.selectOption('#pair select.align', at);
      for (const view of ['side', 'above', 'behind', 'aslant']) {
        await press(page.locator(`#pair button[data-view=${view}]`));
        await settle();
        const same = await pairState(page);
        check(same.drawings.map((d) => d.name).join() === 'side,path,speed,bend,butt,power,space', `${label}: the drawings are ${same.drawings.map((d) => d.name)}`);
        for (const { name: drawing, lines: [first, second] } of same.drawings) {
          check(first.length === second.length && first.length > 0, `${label}, ${at}: ${drawing} has ${first.length} and ${second.length} lines`);
          first.forEach(([kind, points], k) => {
            if (points.length < 2) return;
            const off = apart(points, second[k][1]);
            compared += 1;
            worst = Math.max(worst, off);
            check(off < 1, `${label}, ${at}, ${view}: ${kind} of ${drawing} lies ${off.toFixed(2)} px from that of its copy`);
          });
        }
        check(same.told.length === 0, `${label}: a copy differs in ${same.told}`);
      }
      // Rod straight was called 0.05 s later: aligned there the other cast lies 0.05 s to the left, aligned elsewhere on itself.
      await page.selectOption('#pair select.second', 'otherwise/2');
      await settle();
      const other = await pairState(page);
      for (const { name: drawing, perX, lines } of other.drawings.filter((d) => ['speed', 'bend', 'butt'].includes(d.name))) {
        // All of a curve, whatever is thin or strong in it.
        const [first, second] = lines.map((of) => of.filter(([, p]) => p.length > 1).flatMap(([, p]) => p));
        const moved = second.map(([x, y]) => [x + (at === 'rsp' ? 0.05 * perX : 0), y]);
        const [low, high] = [Math.max(first[0][0], moved[0][0]) + 2, Math.min(first.at(-1)[0], moved.at(-1)[0]) - 2];
        const cut = (line) => line.filter(([x]) => x > low && x < high);
        const off = Math.max(...cut(moved).map((p) => offLine(p, first)));
        check(cut(moved).length > 20 && off < 1, `${label}, ${at}: ${drawing} is ${off.toFixed(2)} px from where 0.05 s put it`);
      }
    }
    if (copies) console.log(`${label}: ${compared} curves of a copy, at most ${worst.toFixed(2)} px off`);
    // One press moves both casts, both films, and space.
    const before = await pairState(page);
    await press(page.locator('#pair .play'));
    await page.waitForTimeout(2200);
    const later = await pairState(page);
    check(later.play === 'pause' && later.k > 0 && later.dots !== before.dots && later.space !== before.space, `${label}: after two seconds of play ${later.k}, ${later.reading}`);
    if (later.films.length > 0) {
      check(later.films.length === 2 && later.films.every((t) => t > 0.1), `${label}: films stand at ${later.films}`);
      const off = await page.evaluate(() => [...document.querySelectorAll('#pair video')].map((v, n) => {
        const data = JSON.parse([...document.querySelectorAll('#pair script.cast')].find((s) => s.dataset.id === document.querySelector(n ? '#pair select.second' : '#pair select.first').value).textContent);
        const times = v.dataset.t.split(' ').map(Number);
        const now = times[Math.min(times.length - 1, Math.floor(v.currentTime * +v.dataset.fps))] - data.events[document.querySelector('#pair select.align').value];
        return now - parseFloat(document.querySelector('#pair .reading').textContent.replace('\u2212', '-'));
      }));
      check(off.every((t) => Math.abs(t) < 0.02), `${label}: the films are ${off.map((t) => t.toFixed(3))} s from the drawings`);
    }
    await press(page.locator('#pair .play'));
    const stopped = await pairState(page);
    await page.waitForTimeout(300);
    check((await pairState(page)).k === stopped.k && stopped.play === 'play', `${label}: pressed again it does not stop`);
    if (later.films.length > 0) await checkCameras(page, label);
    check(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `${label}: it scrolls sideways`);
    await context.close();
  }
}

// The films of both are those of the camera that is picked, at the moment that was shown.
async function checkCameras(page, label) {
  const pick = page.locator('#pair select.camera');
  const cameras = await pick.count() ? await pick.evaluate((p) => [...p.options].map((o) => o.value).filter(Boolean)) : [];
  const seen = new Set();
  for (const camera of cameras) {
    const before = await pairState(page);
    await pick.selectOption(camera);
    await page.waitForTimeout(500);
    const now = await page.evaluate(() => [...document.querySelectorAll('#pair .films figure')].map((f) => [f.querySelector('video').getAttribute('src'), f.querySelector('figcaption').textContent, f.querySelector('video').currentTime]));
    const after = await pairState(page);
    check(after.k === before.k && now.length === 2 && now.every(([, text, t]) => text.endsWith(`camera ${camera}`) && t > 0.1), `${label}: films by camera ${camera} are ${JSON.stringify(now)}`);
    now.forEach(([src]) => seen.add(src));
  }
  check(cameras.length === 0 || seen.size === 2 * cameras.length, `${label}: ${seen.size} films by ${cameras.length} cameras`);
}

// Figures of the two are written as on the casters' own pages.
export async function checkPairFigures(file, folder, name) {
  const { page } = await open(file, folder, DESKTOP);
  const id = await page.evaluate(() => document.querySelector('#pair select.first').value);
  const written = await page.evaluate(() => Object.fromEntries([...document.querySelectorAll('.differences tbody tr')].map((r) => [r.querySelector('a').hash, r.cells[1].textContent])));
  await page.close();
  const [, take, stroke] = /^(.*)\/(\d+)$/.exec(id);
  for (const other of readdirSync(path.dirname(file)).filter((f) => /^caster-.*html$/.test(f))) {
    const { page: own } = await open(path.join(path.dirname(file), other), folder, DESKTOP);
    const there = await own.evaluate(([t, n]) => {
      const section = [...document.querySelectorAll('section.take')].find((s) => s.querySelector('h3').textContent.split(', ')[0] === t);
      const article = section && [...section.querySelectorAll('article.stroke')].find((a) => a.id.endsWith(`-stroke-${n}`));
      return article && Object.fromEntries([...article.querySelectorAll('.figures div')].map((d) => [d.querySelector('a').hash, d.querySelector('dd').textContent]));
    }, [take, stroke]);
    await own.close();
    if (!there) continue;
    const wrong = Object.entries(written).filter(([hash, text]) => there[hash] !== undefined && there[hash] !== text);
    const both = Object.keys(written).filter((hash) => there[hash] !== undefined).length;
    check(both > 5 && wrong.length === 0, `${name}: ${both} figures stand on both pages, written differently: ${JSON.stringify(wrong.slice(0, 3).map(([h, t]) => [h, t, there[h]]))}`);
    return;
  }
}
