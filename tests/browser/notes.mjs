// A note goes round: written on a caster's page, offered as a file, put beside session.toml, and read by the next run of `day`; then changed
// and taken away again on the page that shows it: node notes.mjs TIPWRIGHT SESSION RESULTS. RESULTS is written to.
import { execFileSync } from 'node:child_process';
import { existsSync, mkdtempSync, readFileSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [tipwright, session, results] = process.argv.slice(2);
const report = path.join(results, 'report'), file = path.join(session, 'notes.toml');
if (existsSync(file)) throw new Error(`${file} is there already`);
const words = { caster: 'Slower <at first>, then "squeeze" & hold', stroke: 'Here the bend is late', later: 'It came with the second try' };
const folder = mkdtempSync(path.join(tmpdir(), 'tipwright-notes-'));
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM || undefined, args: ['--no-sandbox', '--disable-gpu'] });
const failures = [];
let held = 0;
const check = (holds, what) => { if (holds) held += 1; else failures.push(what); };
const name = readdirSync(report).find((f) => /^caster-.*\.html$/.test(f));
const open = async (place) => {
  const page = await (await browser.newContext({ acceptDownloads: true })).newPage();
  await page.goto(pathToFileURL(path.resolve(place)).href);
  await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = true; }));
  return page;
};
// What the page offers when its button is pressed goes beside session.toml as it is, and the day is run.
const save = async (page) => {
  const [download] = await Promise.all([page.waitForEvent('download', { timeout: 5000 }), page.locator('.save-notes').click()]);
  check(download.suggestedFilename() === 'notes.toml', `the file is offered as ${download.suggestedFilename()}`);
  const saved = path.join(folder, 'notes.toml');
  await download.saveAs(saved);
  execFileSync('cp', [saved, file]);
  execFileSync(tipwright, ['--quiet', 'day', session, '-o', results]);
  return readFileSync(saved, 'utf8');
};
// Where on its pages, handout and paper a text stands.
const stands = async (text) => {
  const page = await open(path.join(report, name)), day = await open(path.join(report, 'index.html'));
  const handout = await page.locator('footer a[href^="handout/"][href$=".html"]').getAttribute('href');
  const given = await open(path.join(report, handout));
  const paper = execFileSync('pdftotext', ['-layout', path.join(report, handout.replace(/html$/, 'pdf')), '-']).toString().replace(/\s+/g, ' ');
  const notes = (on) => on.evaluate((asked) => [...document.querySelectorAll('.instructor')].filter((n) => n.textContent.includes(asked))
    .map((n) => n.closest('article')?.id.replace(/^.*-(stroke-\d+)$/, '$1') ?? 'caster'), text);
  const offered = await page.evaluate((asked) => [...document.querySelectorAll('.note textarea')].filter((a) => a.value === asked).length, text);
  const found = { page: (await notes(page)).join(), offered, day: (await notes(day)).length, handout: (await notes(given)).length, paper: paper.includes(text) };
  for (const one of [page, day, given]) await one.context().close();
  return JSON.stringify(found);
};
const expect = async (text, wanted) => {
  const found = await stands(text);
  check(found === JSON.stringify(wanted), `"${text}" stands ${found}, not ${JSON.stringify(wanted)}`);
};
const NOWHERE = { page: '', offered: 0, day: 0, handout: 0, paper: false };
try {
  for (const text of Object.values(words)) await expect(text, NOWHERE);
  const page = await open(path.join(report, name));
  await page.locator('.note[data-caster] textarea').fill(words.caster);
  await page.locator('.note[data-take][data-stroke="1"] textarea').first().fill(words.stroke);
  const text = await save(page);
  check(text.includes(JSON.stringify(words.caster)) && text.includes(JSON.stringify(words.stroke)), `the file is ${text}`);
  await expect(words.caster, { page: 'caster', offered: 1, day: 1, handout: 1, paper: true });
  await expect(words.stroke, { page: 'stroke-1', offered: 1, day: 0, handout: 1, paper: true });

  // On the page that shows them the caster's is written anew and the stroke's taken away.
  const again = await open(path.join(report, name));
  await again.locator('.note[data-caster] textarea').fill(words.later);
  await again.locator('.note[data-take][data-stroke="1"] textarea').first().fill('');
  const changed = await save(again);
  check(!changed.includes(words.stroke), `what was taken away is in the file: ${changed}`);
  await expect(words.later, { page: 'caster', offered: 1, day: 1, handout: 1, paper: true });
  await expect(words.caster, NOWHERE);
  await expect(words.stroke, NOWHERE);
} finally {
  await browser.close();
  rmSync(file, { force: true });
  rmSync(folder, { recursive: true, force: true });
}
failures.forEach((what) => console.log(`FAILED: ${what}`));
console.log(`notes: written, read back, shown, changed, taken away; ${held} passed, ${failures.length} failed`);
process.exit(failures.length || held < 12 ? 1 : 0);
