// Checks the pages of results folders (day, casters, handouts, comparisons) in headless Chromium. See run.sh.
import { existsSync, readdirSync, statSync } from 'node:fs';
import path from 'node:path';
import { checkDrawings, checkSheets, smallText } from './drawings.mjs';
import { checkNothingEmpty } from './empty.mjs';
import { checkDay, checkLater, checkStory } from './first_screens.mjs';
import { checkPair, checkPairFigures } from './pairs.mjs';
import { checkFilm, checkInStep, checkOverlays, checkPlay, checkStroke } from './players.mjs';
import { checkPaper, checkPrint } from './print.mjs';
import { checkAxe, checkNotes, checkSort } from './reader.mjs';
import { LIMITS, check, drawAll, finish, open } from './support.mjs';
import { checkUnits, checkUnitsBeforeTitles } from './units.mjs';

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
  if (dir !== 'score') await checkNothingEmpty(file, folder, name);
  if (kind === 'day') await checkDay(file, folder, name);
  const pairs = await page.locator('#pair').count() > 0;
  if (pairs) await checkPair(file, folder, name);
  if (kind === 'pair') await checkPairFigures(file, folder, name);
  // of a caster of whom nothing was measured there is one sheet, which says so
  const hasFigures = await page.locator('svg.plot, figure.later, table').count() > 0;
  if (kind === 'handout') checkPaper(file, name, hasFigures ? 2 : 1);
  if (kind === 'caster') await checkNotes(file, folder, name);
  if (kind === 'caster') await checkStory(file, folder, name);
  if (strokes > 0) await checkLater(page, name);
  if (strokes > 0) await checkPlay(file, folder, name);
  if (kind === 'caster') await checkInStep(file, name);
  await drawAll(page);
  // What is written for those who work on the program itself keeps to the units of the files.
  const switches = await page.locator('input[name=units]').count() > 0;
  check(switches || !isReport && strokes === 0, `${name}: no switch of units`);
  if (switches) await checkUnits(page, name, hasFigures);
  for (const units of switches ? ['m', 'ft'] : ['']) {
    if (units) await page.check(`input[name=units][value=${units}]`);
    await checkDrawings(page, `${name}, units ${units}`);
  }
  await checkUnitsBeforeTitles(page, name);
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
      for (const units of switches ? ['m', 'ft'] : ['']) {
        if (units) await judged.check(`input[name=units][value=${units}]`);
        await checkDrawings(judged, `${name}, ${width} px, units ${units}`);
      }
    }
    // Scores are for those who work on the program itself.
    const small = dir === 'score' ? [] : await smallText(judged, LIMITS.smallestText);
    check(small.length === 0, `${name}, ${width} px: ${small.length} texts under 11 px: ${small.slice(0, 4).join('; ')}`);
    await checkAxe(judged, `${name}, ${scheme}, ${width} px`);
    await judged.close();
  }
  await checkPrint(file, folder, name, kind);
}

// `--only day`: of each folder the day's page alone.
const [only, folders] = process.argv[2] === '--only' ? [process.argv[3], process.argv.slice(4)] : [null, process.argv.slice(2)];
for (const folder of folders) {
  const compares = existsSync(path.join(folder, 'compare')) ? readdirSync(path.join(folder, 'compare')).sort().map((d) => `compare/${d}`) : [];
  for (const sub of ['report', 'report/handout', 'score', '.', ...compares]) {
    const dir = path.join(folder, sub);
    if (!existsSync(dir) || !statSync(dir).isDirectory()) continue;
    const files = readdirSync(dir).filter((f) => f.endsWith('.html')).sort();
    for (const file of files.filter((f) => only === null || sub === 'report' && f === 'index.html')) await checkPage(path.join(dir, file), folder);
  }
  const takes = path.join(folder, 'takes');
  if (only === null && existsSync(takes)) await checkSheets(folder, takes);
}
await finish();
