// A stroke that was opened: play by mouse and by finger, one moment through film, drawings and space.
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { DESKTOP, PHONE, check, drawAll, engine } from './support.mjs';

// Session times of the films of a part of the page, from one instant, and how long half a frame of the slowest is. A frame stands for
// half of the way from the one before to half of the way to the next.
const filmTimes = (part) => part.evaluate((a) => {
  const films = [...a.querySelectorAll('video')].map((v) => {
    const times = v.dataset.t.split(' ').map(Number), at = v.currentTime * +v.dataset.fps - 0.5;
    const k = Math.max(0, Math.min(times.length - 2, Math.floor(at)));
    return { t: times[k] + (at - k) * (times[k + 1] - times[k]), frame: Math.max(...times.slice(1).map((t, i) => t - times[i])), from: times[0], to: times.at(-1) };
  });
  return { t: films.map((f) => f.t), half: Math.max(0, ...films.map((f) => f.frame)) / 2, from: Math.max(...films.map((f) => f.from)), to: Math.min(...films.map((f) => f.to)),
    clock: parseFloat(a.querySelector('.reading').textContent.replace('\u2212', '-')) };
});

// Cameras side by side on a desktop, of one height; on a phone one under the other, both on one screen below the keys.
async function checkSideBySide(page, article, touch, label) {
  await article.locator('.clips').evaluate((c) => c.scrollIntoView({ block: 'end', behavior: 'instant' }));
  const boxes = await article.evaluate((a) => [...a.querySelectorAll('video')].map((v) => v.getBoundingClientRect()).map((b) => [b.left, b.top, b.width, b.height]));
  if (boxes.length < 2) return;
  const [[l, t, w, h], [m, u, x, i]] = boxes;
  const keys = await article.locator('.cursor-row').evaluate((e) => e.getBoundingClientRect().bottom);
  check(w > 250 && h > 140 && x > 250 && i > 140, `${label}: the films are ${w} by ${h} and ${x} by ${i} px`);
  if (touch) check(u >= t + h && Math.min(t, u) >= keys - 2 && u + i <= PHONE.height, `${label}: the films do not stand one under the other below the keys: ${JSON.stringify([keys, boxes])}`);
  else check(Math.abs(t - u) < 1 && Math.abs(h - i) < 2 && m >= l + w && h < 0.6 * DESKTOP.height, `${label}: the films do not stand side by side: ${JSON.stringify(boxes)}`);
  const small = await article.evaluate((a) => [...a.querySelectorAll('.keys button')].map((b) => b.getBoundingClientRect()).filter((b) => b.width < 44 || b.height < 44).length);
  check(!touch || small === 0, `${label}: ${small} keys are too small for a finger`);
}

// The first press of play, from the start: films, drawing and space move together, by mouse and by finger.
export async function checkPlay(file, folder, name) {
  for (const touch of [false, true]) {
    const context = await engine.newContext({ viewport: touch ? PHONE : DESKTOP, hasTouch: touch, isMobile: touch });
    const page = await context.newPage();
    await page.goto(pathToFileURL(path.resolve(file)).href);
    const article = page.locator('article.stroke').first();
    const press = (what) => (touch ? what.tap() : what.click());
    const asked = await page.evaluate(() => performance.getEntriesByType('resource').filter((e) => /\.(mp4|jpg)$/.test(e.name)).length
      + [...document.querySelectorAll('article.stroke video')].filter((v) => v.networkState === v.NETWORK_LOADING || v.readyState > 0 || v.poster).length);
    check(asked === 0, `${name}: ${asked} films or stills are loaded before a stroke is opened`);
    await press(article.locator('summary').first());
    await article.locator('.space svg circle').waitFor();
    const state = () => article.evaluate((a) => ({
      k: +a.querySelector('.moment').value,
      dot: [...a.querySelectorAll('svg[data-panel=side] circle.cursor')].map((c) => c.getAttribute('cx')).join(),
      space: a.querySelector('.space svg circle').getAttribute('cx'),
      films: [...a.querySelectorAll('video')].map((v) => v.currentTime),
      loaded: [...a.querySelectorAll('video')].filter((v) => v.readyState > 0).length,
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
    if (before.films.length > 0) {
      check(before.loaded === 0, `${label}: ${before.loaded} films are loaded before anything was asked of them`);
      check(later.films.every((t, n) => t > begun.films[n] + 0.1), `${label}: the films stand at ${later.films} after two seconds of play, ${begun.films} at its begin`);
      const { t, half, clock } = await filmTimes(article);
      const apart = Math.max(...t) - Math.min(...t), off = Math.max(...t.map((one) => Math.abs(one - clock)));
      check(apart <= half, `${label}: the films are ${(1e3 * apart).toFixed(1)} ms from each other, half a frame is ${(1e3 * half).toFixed(1)} ms`);
      // the drawings show a sample, on whose side of half a frame a film may be
      check(off <= 3 * half, `${label}: a film is ${(1e3 * off).toFixed(1)} ms from the drawings, half a frame is ${(1e3 * half).toFixed(1)} ms`);
    }
    await press(article.locator('.play'));
    const stopped = await state();
    await page.waitForTimeout(300);
    check((await state()).k === stopped.k && stopped.said === 'play', `${label}: pressed again it does not stop`);
    const step = async (by) => { await press(article.locator(`.step[data-by="${by}"]`)); return (await state()).k; };
    const on = await step(1);
    check(on > stopped.k && await step(-1) < on, `${label}: the frame steps do not step`);
    if (before.films.length > 0) {
      // At rest each shows the frame nearest to the moment.
      for (const by of [1, 1, 1, -1]) await step(by);
      await page.waitForTimeout(400);
      const { t, half, clock } = await filmTimes(article);
      check(t.every((one) => Math.abs(one - clock) <= half + 0.001), `${label}: after steps the films show ${t}, the drawings ${clock}`);
      await checkSideBySide(page, article, touch, label);
    }
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
  const count = await article.locator('video').count();
  if (count === 0) return;
  await article.evaluate((a) => { a.querySelector('details').open = true; });
  await article.scrollIntoViewIfNeeded();
  for (let n = 0; n < count; n++) {
    const video = article.locator('video').nth(n), label = `${name}, film ${n + 1}`;
    const played = await video.evaluate((v) => new Promise((done) => {
      v.preload = 'auto';
      v.addEventListener('error', () => done(`error ${v.error?.code}`), { once: true });
      v.addEventListener('canplaythrough', () => done(''), { once: true });
      setTimeout(() => done('nothing within 5 s'), 5000);
      v.load();
    }));
    check(played === '', `${label}: it does not load: ${played}`);
    const [frames, duration, fps] = await video.evaluate((v) => [v.dataset.t.split(' ').length, v.duration, +v.dataset.fps]);
    check(Math.abs(duration * fps - frames) < 1.5, `${label}: ${frames} times for ${duration} s at ${fps} a second`);
    const size = await video.evaluate((v) => [v.width, v.height, v.videoWidth, v.videoHeight]);
    check(size[0] === size[2] && size[1] === size[3], `${label}: it keeps a place of ${size}`);
  }
  // The moment of the drawings seeks in the films.
  const slider = article.locator('.moment');
  const at = async (share) => {
    await slider.evaluate((s, f) => { s.value = Math.round(s.max * f); s.dispatchEvent(new Event('input')); }, share);
    await page.waitForTimeout(350);
    return filmTimes(article);
  };
  for (const share of [0.4, 0.55, 0.7]) {
    const { t, half, clock } = await at(share);
    check(t.every((one) => Math.abs(one - clock) <= half + 0.001), `${name}: the moment is ${clock}, the films show ${t}`);
  }
  const stills = await page.evaluate(async () => {
    const images = [...document.querySelectorAll('article.stroke img')];
    images.forEach((i) => { i.loading = 'eager'; });
    await Promise.all(images.map((i) => i.decode().catch(() => {})));
    return { count: images.length, strokes: document.querySelectorAll('article.stroke .film').length,
      bad: images.filter((i) => !i.naturalWidth || !/\d/.test(i.alt)).length };
  });
  check(stills.count === 4 * stills.strokes && stills.bad === 0, `${name}: stills ${JSON.stringify(stills)}`);
}

// Round and round, and fast: the films stay with each other. `share` of the looks may fall into a turn, where films look for their place.
export async function checkInStep(file, name) {
  // at full speed a picture of the screen is four frames of a film
  for (const [rate, share] of [['0.1', 0.9], ['0.25', 0.85], ['1', 0.6]]) {
    const context = await engine.newContext({ viewport: DESKTOP });
    const page = await context.newPage();
    await page.goto(pathToFileURL(path.resolve(file)).href);
    const article = page.locator('article.stroke').first();
    if (await page.locator('article.stroke video').count() < 2) { await context.close(); return; }
    await article.locator('summary').first().click();
    await article.locator('.rate').selectOption(rate);
    await article.locator('.again').check();
    await article.locator('.play').click();
    await page.waitForTimeout(800);
    let held = 0, looked = 0, worst = 0;
    for (let k = 0; k < 60; k++) {
      await page.waitForTimeout(50);
      const { t, half, from, to } = await filmTimes(article);
      if (!t.every((one) => one >= from && one <= to)) continue;
      const apart = Math.max(...t) - Math.min(...t);
      looked += 1;
      worst = Math.max(worst, apart);
      if (apart <= half) held += 1;
    }
    console.log(`${name}, speed ${rate}: the films of ${held} of ${looked} moments within half a frame, at most ${(1e3 * worst).toFixed(1)} ms apart`);
    check(looked >= 20 && held >= share * looked, `${name}, speed ${rate}: the films of ${held} of ${looked} moments are within half a frame`);
    await context.close();
  }
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
