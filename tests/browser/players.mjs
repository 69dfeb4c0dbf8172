// A stroke that was opened: play by mouse and by finger, one moment through film, drawings and space.
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { DESKTOP, PHONE, check, drawAll, engine } from './support.mjs';

// The first press of play, from the start: film, drawing and space move together, by mouse and by finger.
export async function checkPlay(file, folder, name) {
  for (const touch of [false, true]) {
    const context = await engine.newContext({ viewport: touch ? PHONE : DESKTOP, hasTouch: touch, isMobile: touch });
    const page = await context.newPage();
    await page.goto(pathToFileURL(path.resolve(file)).href);
    const article = page.locator('article.stroke').first();
    const press = (what) => (touch ? what.tap() : what.click());
    await press(article.locator('summary').first());
    await article.locator('.space svg circle').waitFor();
    const state = () => article.evaluate((a) => ({
      k: +a.querySelector('.moment').value,
      dot: [...a.querySelectorAll('svg[data-panel=side] circle.cursor')].map((c) => c.getAttribute('cx')).join(),
      space: a.querySelector('.space svg circle').getAttribute('cx'),
      film: a.querySelector('video')?.currentTime ?? null,
      said: a.querySelector('.play').textContent,
    }));
    await page.waitForTimeout(150);
    const before = await state();
    // the first moment that play shows, taken down by the page itself: a busy machine is late in asking
    await article.evaluate((a) => {
      const moment = a.querySelector('.moment'), was = moment.value;
      const look = () => { if (moment.value === was) requestAnimationFrame(look); else a.dataset.begun = moment.value; };
      look();
    });
    await press(article.locator('.play'));
    await page.waitForFunction(() => document.querySelector('article.stroke').dataset.begun, null, { timeout: 5000 }).catch(() => {});
    const begun = await state();
    const first = +(await article.getAttribute('data-begun') ?? NaN);
    await page.waitForTimeout(2000);
    const later = await state();
    const last = await article.evaluate((a) => +a.querySelector('.moment').max);
    const label = `${name}, ${touch ? 'touch' : 'mouse'}`;
    check(first < 0.12 * last, `${label}: play begins at ${first} of ${last}, not at the start`);
    check(later.said === 'pause' && later.k > begun.k && later.dot !== begun.dot && later.space !== begun.space, `${label}: after two seconds of play ${JSON.stringify([begun, later])}`);
    if (before.film !== null) {
      check(later.film > 0.2 && later.film !== begun.film, `${label}: the film stands at ${later.film} after two seconds of play`);
      const off = await article.evaluate((a) => {
        const film = a.querySelector('video'), times = film.dataset.t.split(' ').map(Number);
        const now = times[Math.min(times.length - 1, Math.floor(film.currentTime * +film.dataset.fps))];
        return now - parseFloat(a.querySelector('.reading').textContent.replace('\u2212', '-'));
      });
      check(Math.abs(off) < 0.05, `${label}: the film is ${off.toFixed(3)} s from the drawings`);
    }
    await press(article.locator('.play'));
    const stopped = await state();
    await page.waitForTimeout(300);
    check((await state()).k === stopped.k && stopped.said === 'play', `${label}: pressed again it does not stop`);
    const step = async (by) => { await press(article.locator(`.step[data-by="${by}"]`)); return (await state()).k; };
    const on = await step(1);
    check(on > stopped.k && await step(-1) < on, `${label}: the frame steps do not step`);
    // The views of space.
    const shapes = new Set();
    for (const view of ['side', 'above', 'behind', 'aslant']) {
      await press(article.locator(`button[data-view=${view}]`));
      await page.waitForTimeout(60);
      shapes.add(await article.evaluate((a) => a.querySelector('.space svg').innerHTML));
    }
    check(shapes.size === 4, `${label}: ${shapes.size} of 4 views of space differ`);
    await context.close();
  }
}

export async function checkStroke(page, name) {
  const article = page.locator('article.stroke').first();
  await article.evaluate((a) => { a.querySelector('details').open = true; });
  await article.scrollIntoViewIfNeeded();
  await page.waitForFunction(() => document.querySelector('article.stroke .space svg polyline'));
  const state = () => page.evaluate(() => {
    const a = document.querySelector('article.stroke');
    const dots = {};
    a.querySelectorAll('svg[data-panel]').forEach((svg) => {
      const dot = svg.querySelector('circle.cursor');
      if (!dot) return;
      dots[svg.dataset.panel] = dot.getAttribute('visibility') === 'visible' ? [+dot.getAttribute('cx'), +dot.getAttribute('cy')] : null;
    });
    return { value: +a.querySelector('.moment').value, reading: a.querySelector('.reading').textContent, dots,
      space: a.querySelector('.space svg').innerHTML };
  });
  const speed = article.locator('svg[data-panel=speed]');
  await speed.scrollIntoViewIfNeeded();
  const box = await speed.boundingBox();
  await page.mouse.move(box.x + 0.35 * box.width, box.y + 0.5 * box.height);
  const a = await state();
  await page.mouse.move(box.x + 0.55 * box.width, box.y + 0.5 * box.height);
  await page.waitForTimeout(120);
  const b = await state();
  check(b.value > a.value, `${name}: the pointer over the speed does not move the moment (${a.value}, ${b.value})`);
  check(b.reading !== a.reading, `${name}: the reading does not follow the moment`);
  for (const panel of Object.keys(a.dots)) {
    if (!a.dots[panel] || !b.dots[panel]) continue;
    check(String(a.dots[panel]) !== String(b.dots[panel]), `${name}: the cursor of ${panel} does not follow`);
  }
  const timed = ['speed', 'bend', 'butt'].filter((p) => b.dots[p]).map((p) => b.dots[p][0]);
  check(Math.max(...timed) - Math.min(...timed) < 0.05, `${name}: cursors over time stand at different moments: ${timed}`);
  check(a.space !== b.space, `${name}: the mark in space does not follow`);
  await article.locator('.moment').focus();
  await page.keyboard.press('ArrowRight');
  const c = await state();
  check(c.value === b.value + 1 && String(c.dots.side) !== String(b.dots.side), `${name}: the arrow key does not move the moment`);
  const space = article.locator('.space');
  await space.focus();
  await page.keyboard.press('ArrowLeft');
  await page.waitForTimeout(120);
  const d = await state();
  check(d.space !== c.space, `${name}: the arrow key does not turn the path in space`);
  // Scrolling is smooth: wait until the place stands still.
  let room = null, before;
  do {
    before = room;
    await page.waitForTimeout(150);
    room = await space.boundingBox();
  } while (before?.y !== room.y);
  await page.mouse.move(room.x + room.width / 2, room.y + room.height / 2);
  await page.mouse.down();
  await page.mouse.move(room.x + room.width / 2 + 60, room.y + room.height / 2 + 10, { steps: 4 });
  await page.mouse.up();
  await page.waitForTimeout(120);
  check((await state()).space !== d.space, `${name}: the mouse does not turn the path in space`);

  const link = article.locator('a.def').first();
  await link.hover();
  const [shown, defined] = await page.evaluate((hash) => [document.getElementById('definition').textContent,
    document.querySelector(`${hash} dd`).textContent], await link.getAttribute('href'));
  check(shown === defined && defined.length > 10, `${name}: hovering a figure's name does not show its definition`);
}

export async function checkFilm(page, name) {
  const article = page.locator('article.stroke').first();
  const video = article.locator('video');
  if (await video.count() === 0) return;
  await article.evaluate((a) => { a.querySelector('details').open = true; });
  await article.scrollIntoViewIfNeeded();
  const played = await video.evaluate((v) => new Promise((done) => {
    v.preload = 'auto';
    v.addEventListener('error', () => done(`error ${v.error?.code}`), { once: true });
    v.addEventListener('canplaythrough', () => done(''), { once: true });
    setTimeout(() => done('nothing within 5 s'), 5000);
    v.load();
  }));
  check(played === '', `${name}: the film does not load: ${played}`);
  const [frames, duration, fps] = await video.evaluate((v) => [v.dataset.t.split(' ').length, v.duration, +v.dataset.fps]);
  check(Math.abs(duration * fps - frames) < 1.5, `${name}: the film has ${frames} times for ${duration} s at ${fps} a second`);
  // The moment of the drawings seeks in the film.
  const slider = article.locator('.moment');
  const at = async (share) => {
    await slider.evaluate((s, f) => { s.value = Math.round(s.max * f); s.dispatchEvent(new Event('input')); }, share);
    await page.waitForTimeout(250);
    return video.evaluate((v) => v.currentTime);
  };
  const [early, late] = [await at(0.4), await at(0.7)];
  check(late > early + 0.1, `${name}: the film does not follow the moment (${early}, ${late})`);
  const stills = await page.evaluate(async () => {
    const images = [...document.querySelectorAll('article.stroke img')];
    images.forEach((i) => { i.loading = 'eager'; });
    await Promise.all(images.map((i) => i.decode().catch(() => {})));
    return { count: images.length, films: document.querySelectorAll('article.stroke video').length,
      bad: images.filter((i) => !i.naturalWidth || !/\d/.test(i.alt)).length };
  });
  check(stills.count === 4 * stills.films && stills.bad === 0, `${name}: stills ${JSON.stringify(stills)}`);
}

export async function checkOverlays(page, name) {
  await drawAll(page);
  const group = page.locator('.linked').filter({ has: page.locator('svg[data-panel=overlay-time]') }).first();
  if (await group.count() === 0) return;
  await group.scrollIntoViewIfNeeded();
  const panel = group.locator('svg[data-panel=overlay-time]').first();
  const box = await panel.boundingBox();
  await page.mouse.move(box.x + 0.5 * box.width, box.y + 0.5 * box.height);
  const moments = await group.evaluate((g) => [...g.querySelectorAll('svg[data-panel=overlay-time]')].map((svg) => {
    const [o, s] = svg.dataset.x.split(' ').map(Number), line = svg.querySelector('line.cursor-line');
    return line.getAttribute('visibility') === 'visible' ? (+line.getAttribute('x1') - o) / s : NaN;
  }));
  check(moments.every((t) => Math.abs(t - moments[0]) < 1e-3), `${name}: cursors of overlaid strokes stand at ${moments}`);
}
