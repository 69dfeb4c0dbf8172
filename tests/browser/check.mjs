// Checks the pages of results folders (day, casters, handouts, comparisons) in headless Chromium. See run.sh.
import { execFileSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, rmSync, statSync, readdirSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { fileURLToPath, pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const LIMITS = { bytes: 10e6, handoutBytes: 1.5e6, firstPaintMs: 500, openMs: 1000, smallestText: 10.95 };
const DESKTOP = { width: 1400, height: 900 }, PHONE = { width: 390, height: 844 };
const A4 = { width: Math.round(190 / 25.4 * 96), height: Math.round(269 / 25.4 * 96) };
let passed = 0;
const failures = [];
const check = (holds, what) => {
  if (holds) passed += 1;
  else { failures.push(what); console.log(`FAILED: ${what}`); }
};

const profile = mkdtempSync(path.join(tmpdir(), 'tipwright-browser-'));
const browser = await chromium.launchPersistentContext(profile, {
  executablePath: process.env.CHROMIUM || undefined,
  headless: true,
  viewport: { width: 1360, height: 900 },
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
    '--disable-component-update', '--disable-sync'],
});

const engine = await chromium.launch({ executablePath: process.env.CHROMIUM || undefined, args: ['--no-sandbox', '--disable-gpu'] });

async function open(file, folder, { width = 1360, height = 900, scheme = 'light' } = {}) {
  const page = await browser.newPage();
  await page.setViewportSize({ width, height });
  await page.emulateMedia({ colorScheme: scheme });
  const complaints = [];
  page.on('console', (m) => { if (m.type() === 'error' || m.type() === 'warning') complaints.push(m.text()); });
  page.on('pageerror', (e) => complaints.push(String(e)));
  const inside = pathToFileURL(path.resolve(folder)).href + '/';
  page.on('request', (r) => {
    const url = r.url();
    if (!url.startsWith(inside) && !url.startsWith('data:') && !url.startsWith('blob:')) complaints.push(`asked for ${url}`);
  });
  await page.goto(pathToFileURL(path.resolve(file)).href);
  return { page, complaints };
}

// Drawings are put in when their part of the page is opened: for a look at the whole page everything is.
const drawAll = (page) => page.evaluate(async () => {
  document.querySelectorAll('main details').forEach((d) => { d.open = true; });
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
});

const seenText = (page) => page.evaluate(() => {
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode, parent = node.parentElement;
    if (!node.data.trim() || parent.closest('script, style, footer, .count')) continue;
    // checkVisibility is true for SVG text in a group that is not displayed; boxes tell.
    if (parent.getClientRects().length > 0) out.push(node.data);
  }
  return out;
});

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
const smallText = (page, least) => page.evaluate((limit) => [...document.querySelectorAll('body *')].flatMap((e) => {
  const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
  if (!own || e.closest('script, style, .hidden, .skip') || e.getClientRects().length === 0) return [];
  const matrix = e instanceof SVGElement && e.ownerSVGElement ? e.getScreenCTM() : null;
  const size = parseFloat(getComputedStyle(e).fontSize) * (matrix ? Math.hypot(matrix.a, matrix.b) : 1);
  return size < limit ? [`${size.toFixed(1)} px "${e.textContent.trim().slice(0, 30)}"`] : [];
}), least);

async function checkLater(page, name) {
  const state = () => page.evaluate(() => {
    const last = [...document.querySelectorAll('article.stroke')].at(-1);
    return { later: last.querySelectorAll('.later').length, drawn: last.querySelectorAll('.panel svg.plot:not([aria-hidden])').length };
  });
  const before = await state();
  check(before.drawn === 0 && before.later > 0, `${name}: a stroke that is not open is drawn already`);
  await page.locator('article.stroke > details > summary').last().click();
  await page.waitForFunction(() => ![...document.querySelectorAll('article.stroke')].at(-1).querySelector('.later'));
  const after = await state();
  check(after.later === 0 && after.drawn === before.later, `${name}: drawings are not put in when a stroke is opened`);
  // The picture stands before the figures.
  const order = await page.locator('article.stroke').last().evaluate((a) => a.querySelector('.panels').getBoundingClientRect().top < a.querySelector('.figures').getBoundingClientRect().top);
  check(order, `${name}: figures of a stroke stand before its drawings`);
  const folded = await page.locator('article.stroke').last().evaluate((a) => [...a.querySelectorAll('details.group')].filter((d) => d.open).length);
  check(folded === 0, `${name}: ${folded} groups of figures are open before they were asked for`);
  await page.evaluate(() => { document.querySelectorAll('article.stroke details').forEach((d) => { d.open = false; }); scrollTo(0, 0); });
}

// What an instructor has in ten seconds: finding, how often, how sure, a picture, and no table.
async function checkStory(file, folder, name) {
  for (const [label, size] of [['desktop', DESKTOP], ['phone', PHONE]]) {
    const { page } = await open(file, folder, size);
    const seen = await page.evaluate(() => {
      const inView = (e) => { const b = e.getBoundingClientRect(); return b.height > 0 && b.top >= 0 && b.top < innerHeight && b.left >= 0 && b.right <= innerWidth + 1; };
      const picture = [...document.querySelectorAll('.shown svg.plot')].find((e) => e.getClientRects().length > 0);
      const box = picture?.getBoundingClientRect();
      const findings = [...document.querySelectorAll('.findings li')];
      return {
        strokes: document.querySelectorAll('article.stroke').length,
        findings: findings.filter(inView).length, of: findings.length,
        raised: findings.filter((li) => li.querySelector('.often')).length,
        often: [...document.querySelectorAll('.findings .often')].filter((e) => inView(e) && /^in \d+ of \d+ (forward|back) casts?$/.test(e.textContent)).length,
        sure: [...document.querySelectorAll('.findings .sure')].filter((e) => inView(e) && /^(sure|likely|perhaps), (over |under )?\d+\s*%$/.test(e.textContent)).length,
        picture: box ? Math.max(0, Math.min(box.bottom, innerHeight) - Math.max(box.top, 0)) / box.height : 0,
        named: picture ? [...picture.querySelectorAll('text')].some((t) => /^(dip|dome)/.test(t.textContent)) : false,
        tables: [...document.querySelectorAll('table')].filter((t) => t.checkVisibility() && inView(t)).length,
      };
    });
    if (seen.strokes > 0) {
      const whole = seen.findings === seen.of && seen.of > 0 && seen.of <= 2 && seen.often === seen.raised && seen.sure === seen.raised;
      check(whole && seen.picture > 0.95 && seen.named && seen.tables === 0, `${name}, ${label}: the first screen is ${JSON.stringify(seen)}`);
    }
    await page.close();
  }
}

// The day's page: picked by eye in four screens.
async function checkDay(file, folder, name) {
  const { page } = await open(file, folder, DESKTOP);
  const seen = await page.evaluate(() => ({ casters: document.querySelectorAll('.glance').length, height: document.documentElement.scrollHeight,
    linked: [...document.querySelectorAll('.glance h2 a')].map((a) => a.href) }));
  console.log(`${name}: ${seen.height} px for ${seen.casters} casters`);
  check(seen.casters > 6 || seen.height < 4 * DESKTOP.height, `${name}: ${seen.height} px high for ${seen.casters} casters`);
  for (const href of seen.linked) check(existsSync(fileURLToPath(href)), `${name}: leads to ${href}, which is not there`);
  await page.close();
}

// The first press of play, from the start: film, drawing and space move together, by mouse and by finger.
async function checkPlay(file, folder, name) {
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

async function checkUnits(page, name) {
  const pairs = await page.evaluate(() => [...document.querySelectorAll('.u-m')].filter((m) => {
    const ft = m.nextElementSibling;
    return !ft?.classList.contains('u-ft') || m.textContent === ft.textContent;
  }).map((m) => m.textContent.slice(0, 60)));
  const metric = /\d[\s\u00a0]*(mm|m|m\/s)([\s\u00a0,.;)]|$)|^(m|mm|m\/s)$|, (m|mm|m\/s)$/;
  const imperial = /\d[\s\u00a0]*(ft|in|ft\/s)([\s\u00a0,.;)]|$)|[\u2032\u2033]|^(ft|in|ft\/s)$|, (ft|in|ft\/s)$/;
  for (const [choice, forbidden, wanted] of [['m', imperial, metric], ['ft', metric, imperial]]) {
    await page.check(`input[name=units][value=${choice}]`);
    const texts = await seenText(page);
    const wrong = texts.filter((t) => forbidden.test(t.trim()));
    check(wrong.length === 0, `${name}: with units ${choice} still reads ${JSON.stringify(wrong.slice(0, 4))}`);
    check(texts.some((t) => wanted.test(t.trim())), `${name}: with units ${choice} no number has that unit`);
  }
  const same = pairs.filter((p) => /[1-9]/.test(p));
  check(same.length === 0, `${name}: numbers the unit switch leaves alone: ${JSON.stringify(same.slice(0, 4))}`);
}

async function checkStroke(page, name) {
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

async function checkSort(page, name) {
  // one row has no order
  const table = page.locator('table.sortable:has(tbody tr:nth-child(2))').first();
  if (await table.count() === 0) return;
  await table.evaluate((t) => { for (let at = t; at; at = at.parentElement) if (at.tagName === 'DETAILS') at.open = true; });
  const heads = table.locator('thead th');
  // the last column of numbers that has two to compare: most trends are none
  const column = await table.evaluate((t) => [...t.querySelectorAll('thead th')].map((h, k) => h.classList.contains('n')
    && [...t.querySelectorAll('tbody tr')].filter((r) => r.cells[k].dataset.v).length > 1).lastIndexOf(true));
  await heads.nth(column).locator('button').click();
  const values = await table.evaluate((t, k) => [...t.querySelectorAll('tbody tr')].map((r) => +r.cells[k].dataset.v).filter((v) => !isNaN(v)), column);
  check(values.length > 1 && values.every((v, i) => i === 0 || values[i - 1] <= v), `${name}: the table does not sort`);
}

async function checkFilm(page, name) {
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

async function checkOverlays(page, name) {
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

async function checkAxe(page, name) {
  const began = Date.now();
  await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = true; }));
  await page.evaluate(AXE);
  const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
  for (const v of violations) {
    check(false, `${name}: ${v.id}: ${v.help}: ${v.nodes.length} times, first ${v.nodes[0].html.slice(0, 160)} ${v.nodes[0].failureSummary?.slice(0, 200)}`);
  }
  console.log(`${name}: axe in ${((Date.now() - began) / 1000).toFixed(1)} s`);
  check(violations.length === 0, `${name}: axe finds ${violations.length} kinds of violation`);
}

async function checkPrint(file, folder, name, kind) {
  const { page } = await open(file, folder, { width: A4.width, height: A4.height });
  const pdf = path.join(profile, 'print.pdf');
  const printed = async (opened) => {
    await opened.pdf({ path: pdf, preferCSSPageSize: true });
    return execFileSync('pdftotext', ['-layout', pdf, '-'], { maxBuffer: 1e9 }).toString().split('\f').slice(0, -1);
  };
  const short = await printed(page);
  if (kind === 'caster' || kind === 'handout') {
    check(short.length <= 2, `${name}: prints ${short.length} pages`);
    check(short[0].length > 50 && /From the side, true to scale|could be measured/.test(short.join('')), `${name}: the story is not printed`);
  }
  // Everything on demand.
  await page.evaluate(() => { window.print = () => {}; });
  const button = page.locator('.print-all');
  if (await button.count() > 0) await button.click(); else await drawAll(page);
  await page.waitForTimeout(100);
  await page.emulateMedia({ media: 'print' });
  await page.evaluate(() => dispatchEvent(new Event('beforeprint')));
  const strokes = await page.locator('article.stroke').count();
  const panels = await page.evaluate(() => [...document.querySelectorAll('.panel')].filter((p) => p.checkVisibility() && p.querySelector('svg.plot')).map((p) => {
    const box = p.getBoundingClientRect(), svg = p.querySelector('svg.plot').getBoundingClientRect();
    return { inside: getComputedStyle(p).breakInside, width: svg.right, height: box.height };
  }));
  const wrong = panels.filter((p) => p.inside !== 'avoid' || p.width > A4.width + 1 || p.height > A4.height);
  check(wrong.length === 0 && (strokes === 0 || panels.length > 0), `${name}: ${wrong.length} of ${panels.length} plots would be cut in print: ${JSON.stringify(wrong[0])}`);
  const wide = await page.evaluate((width) => [...document.querySelectorAll('table')].filter((t) => t.getBoundingClientRect().right > width + 1).map((t) => t.className), A4.width);
  check(wide.length === 0, `${name}: ${wide.length} tables run over the edge of the paper: ${wide}`);
  await page.evaluate(() => dispatchEvent(new Event('afterprint')));
  await page.emulateMedia({ media: null });
  // A plot's title stands at its top and the name of its axis at its foot: both must be on the same page.
  const pages = await printed(page);
  const count = (text, what) => text.split(what).length - 1;
  const whole = pages.every((text) => count(text.toLowerCase(), 'power against a straight ramp') === count(text, 'share of the stroke') &&
    count(text, 'Height over the chord, ') === count(text, 'along the chord, '));
  const sides = count(pages.join(''), 'From the side, true to scale');
  check(strokes === 0 || sides === strokes + await page.locator('.shown').count(), `${name}: ${sides} of ${strokes} strokes are drawn in print`);
  check(whole, `${name}: a plot runs over the end of a printed page`);
  console.log(`${name}: ${short.length} printed pages, ${pages.length} with everything, ${panels.length} plots`);
  await page.close();
}

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

async function checkPair(file, folder, name) {
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
        const now = data.film.t[Math.min(data.film.t.length - 1, Math.floor(v.currentTime * data.film.fps))] - data.events[document.querySelector('#pair select.align').value];
        return now - parseFloat(document.querySelector('#pair .reading').textContent.replace('\u2212', '-'));
      }));
      check(off.every((t) => Math.abs(t) < 0.06), `${label}: the films are ${off.map((t) => t.toFixed(3))} s from the drawings`);
    }
    await press(page.locator('#pair .play'));
    const stopped = await pairState(page);
    await page.waitForTimeout(300);
    check((await pairState(page)).k === stopped.k && stopped.play === 'play', `${label}: pressed again it does not stop`);
    check(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `${label}: it scrolls sideways`);
    await context.close();
  }
}

// Figures of the two are written as on the casters' own pages.
async function checkPairFigures(file, folder, name) {
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

// What an instructor writes on a page comes back as a file, beside what was there already.
async function checkNotes(file, folder, name) {
  const { page } = await open(file, folder, DESKTOP);
  const places = page.locator('.note textarea');
  if (await places.count() > 0) {
    const words = 'Say \\ "when": <b>\nand wait\u007f';
    await page.evaluate((text) => {
      const box = document.querySelectorAll('.note textarea');
      document.querySelectorAll('details').forEach((d) => { d.open = true; });
      for (const area of [box[0], box[box.length - 1]]) { area.value = text; area.dispatchEvent(new Event('input')); }
    }, words);
    const [download] = await Promise.all([page.waitForEvent('download'), page.locator('.save-notes').click()]);
    const saved = path.join(profile, 'notes.toml');
    await download.saveAs(saved);
    const read = JSON.parse(execFileSync('python3', ['-c', 'import json, sys, tomllib; print(json.dumps(tomllib.load(open(sys.argv[1], "rb"))))', saved]).toString());
    const asked = await page.evaluate(() => [...document.querySelectorAll('.note')].filter((b) => b.querySelector('textarea')).map((b) => ({ ...b.dataset })));
    const of = (on) => read.note.find((n) => n.caster === on.caster && n.take === on.take && n.stroke === (on.stroke === undefined ? undefined : +on.stroke));
    check(download.suggestedFilename() === 'notes.toml' && read.schema === 1, `${name}: the file of notes is ${download.suggestedFilename()}`);
    check(of(asked[0])?.text === words && of(asked.at(-1))?.text === words, `${name}: what was written is not in the file: ${JSON.stringify(read)}`);
    const standing = await page.evaluate(() => JSON.parse(document.getElementById('notes').textContent).notes);
    const changed = [asked[0], asked.at(-1)].map((on) => JSON.stringify([on.caster, on.take, on.stroke && +on.stroke]));
    const left = standing.filter((n) => !changed.includes(JSON.stringify([n.caster, n.take, n.stroke])));
    check(left.every((n) => read.note.some((m) => m.text.includes(n.text))), `${name}: notes that were there are lost`);
    await page.evaluate(() => localStorage.clear());
  }
  await page.close();
}

// The handout on paper, beside its page: two pages, the student's name, nobody else's.
function checkPaper(file, name) {
  const paper = file.replace(/html$/, 'pdf');
  if (!existsSync(paper)) return check(false, `${name}: no handout on paper beside it`);
  const text = execFileSync('pdftotext', ['-layout', paper, '-']).toString();
  const pages = text.split('\f').slice(0, -1);
  const own = /<h1>([^<]*)<\/h1>/.exec(readFileSync(file, 'utf8'))[1];
  check(pages.length === 2, `${name}: ${pages.length} printed pages`);
  check(text.includes(own), `${name}: ${own} does not stand on paper`);
  const others = readdirSync(path.dirname(file)).filter((f) => f.endsWith('.html')).map((f) => /<h1>([^<]*)<\/h1>/.exec(readFileSync(path.join(path.dirname(file), f), 'utf8'))[1]).filter((n) => n !== own);
  check(others.every((n) => !text.includes(n)), `${name}: somebody else stands on paper`);
  check(/of twenty such intervals about one misses/.test(text.replace(/\s+/g, ' ')), `${name}: no cautions on paper`);
}

async function checkPage(file, folder) {
  const name = path.relative(path.dirname(folder), file);
  const bytes = statSync(file).size;
  const base = path.basename(file), dir = path.basename(path.dirname(path.resolve(file)));
  const kind = dir === 'handout' ? 'handout' : base === 'two-casts.html' ? 'pair' : /^caster-.*\.html$/.test(base) ? 'caster' : dir === 'report' ? 'day' : 'other';
  check(bytes < (kind === 'handout' ? LIMITS.handoutBytes : LIMITS.bytes), `${name}: ${bytes} bytes`);
  const { page, complaints } = await open(file, folder);
  const painted = (opened) => opened.evaluate(() => new Promise((done) => {
    const got = () => performance.getEntriesByName('first-contentful-paint')[0]?.startTime;
    if (got()) done(got());
    else new PerformanceObserver(() => { if (got()) done(got()); }).observe({ type: 'paint', buffered: true });
  }));
  // What the page costs is the least of three: the rest is what else the machine does.
  // Whole: every script has run and the page answers.
  const whole = (opened) => opened.evaluate(() => performance.getEntriesByType('navigation')[0].loadEventEnd);
  let paint = await painted(page), opened = await whole(page);
  for (let again = 0; again < 2 && !(paint < LIMITS.firstPaintMs && opened < LIMITS.openMs); again++) {
    const { page: once } = await open(file, folder);
    paint = Math.min(paint, await painted(once));
    opened = Math.min(opened, await whole(once));
    await once.close();
  }
  check(paint < LIMITS.firstPaintMs, `${name}: first page after ${paint.toFixed(0)} ms`);
  check(opened < LIMITS.openMs, `${name}: opened after ${opened.toFixed(0)} ms`);
  const strokes = await page.locator('article.stroke').count();
  const isReport = kind !== 'other';
  console.log(`${name}: ${(bytes / 1e6).toFixed(2)} MB, ${strokes} strokes, first page after ${paint.toFixed(0)} ms, opened after ${opened.toFixed(0)} ms`);
  if (kind === 'day') await checkDay(file, folder, name);
  const pairs = await page.locator('#pair').count() > 0;
  if (pairs) await checkPair(file, folder, name);
  if (kind === 'pair') await checkPairFigures(file, folder, name);
  if (kind === 'handout') checkPaper(file, name);
  if (kind === 'caster') await checkNotes(file, folder, name);
  if (kind === 'caster') await checkStory(file, folder, name);
  if (strokes > 0) await checkLater(page, name);
  if (strokes > 0) await checkPlay(file, folder, name);
  await drawAll(page);
  // What is written for those who work on the program itself keeps to the units of the files.
  const switches = await page.locator('input[name=units]').count() > 0;
  check(switches || !isReport && strokes === 0, `${name}: no switch of units`);
  if (switches) await checkUnits(page, name);
  for (const units of switches ? ['m', 'ft'] : ['']) {
    if (units) await page.check(`input[name=units][value=${units}]`);
    const found = await overlaps(page);
    check(found.length === 0, `${name}, units ${units}: ${found.length} labels in each other's way: ${found.slice(0, 5).join('; ')}`);
  }
  // A unit beside a title reads as its first word.
  const before = await page.evaluate(() => [...document.querySelectorAll('svg.plot')].flatMap((svg) => {
    const title = svg.querySelector('text.title');
    if (!title) return [];
    const box = title.getBoundingClientRect();
    return [...svg.querySelectorAll('text.axisname')].filter((t) => { const b = t.getBoundingClientRect(); return b.height > 0 && b.right <= box.left + 1 && Math.abs(b.bottom - box.bottom) < 8; }).map((t) => `${t.textContent} ${title.textContent}`);
  }));
  check(before.length === 0, `${name}: units stand before titles: ${before.slice(0, 3)}`);
  if (isReport && strokes > 0) await checkStroke(page, name);
  if (isReport && strokes > 0) await checkFilm(page, name);
  await checkSort(page, name);
  await checkOverlays(page, name);
  const unnamed = await page.evaluate(() => [...document.querySelectorAll('svg.plot:not([aria-hidden])')].filter((s) => !/\d/.test(s.getAttribute('aria-label') ?? '')).length);
  check(unnamed === 0, `${name}: ${unnamed} drawings have no alternative text with figures`);
  check(complaints.length === 0, `${name}: ${complaints.slice(0, 4).join('; ')}`);
  await page.close();
  for (const [scheme, width] of [['light', 1360], ['dark', 1200], ['light', 390]]) {
    const { page: judged } = await open(file, folder, { scheme, width });
    // On a long page every stroke is drawn once; in the other looks as a reader meets it, the first stroke opened.
    if (strokes <= 12 || scheme === 'light' && width > 600) await drawAll(judged);
    else await judged.evaluate(() => document.querySelectorAll('details:not(article.stroke ~ article.stroke details)').forEach((d) => { d.open = true; }));
    await judged.waitForTimeout(150);
    const wide = await judged.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(wide <= 0, `${name}: at ${width} px the page itself scrolls sideways by ${wide} px`);
    const cut = await judged.evaluate(() => [...document.querySelectorAll('.scroll:not(:has(pre)), .panel')].filter((e) => e.scrollWidth > e.clientWidth + 1)
      .map((e) => `${e.getAttribute('aria-label') ?? e.className} by ${e.scrollWidth - e.clientWidth} px`));
    check(cut.length === 0, `${name}: at ${width} px cut at the right: ${cut.slice(0, 4).join('; ')}`);
    if (width < 600) {
      const found = await overlaps(judged);
      check(found.length === 0, `${name}, ${width} px: ${found.length} labels in each other's way: ${found.slice(0, 5).join('; ')}`);
    }
    if (isReport) {
      const small = await smallText(judged, LIMITS.smallestText);
      check(small.length === 0, `${name}, ${width} px: ${small.length} texts under 11 px: ${small.slice(0, 4).join('; ')}`);
    }
    await checkAxe(judged, `${name}, ${scheme}, ${width} px`);
    await judged.close();
  }
  await checkPrint(file, folder, name, kind);
}

for (const folder of process.argv.slice(2)) {
  const compares = existsSync(path.join(folder, 'compare')) ? readdirSync(path.join(folder, 'compare')).sort().map((d) => `compare/${d}`) : [];
  for (const sub of ['report', 'report/handout', 'score', '.', ...compares]) {
    const dir = path.join(folder, sub);
    if (!existsSync(dir) || !statSync(dir).isDirectory()) continue;
    for (const file of readdirSync(dir).filter((f) => f.endsWith('.html')).sort()) await checkPage(path.join(dir, file), folder);
  }
}
await browser.close();
await engine.close();
rmSync(profile, { recursive: true, force: true });
console.log(`${passed} passed, ${failures.length} failed`);
process.exit(failures.length || !passed ? 1 : 0);
