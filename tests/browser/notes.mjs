// A note goes round: written on a caster's page, downloaded, put beside session.toml, and read by the next run of `day`:
// node notes.mjs TIPWRIGHT SESSION RESULTS. RESULTS is written to.
import { execFileSync } from 'node:child_process';
import { copyFileSync, existsSync, mkdtempSync, readFileSync, readdirSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

const [tipwright, session, results] = process.argv.slice(2);
const report = path.join(results, 'report'), file = path.join(session, 'notes.toml');
if (existsSync(file)) throw new Error(`${file} is there already`);
const words = { caster: 'Slower <at first>, then "squeeze" & hold', stroke: 'Here the bend is late' };
const folder = mkdtempSync(path.join(tmpdir(), 'tipwright-notes-'));
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM || undefined, args: ['--no-sandbox', '--disable-gpu'] });
const failures = [];
const check = (holds, what) => { if (!holds) failures.push(what); };
try {
  const name = readdirSync(report).find((f) => /^caster-.*\.html$/.test(f));
  const open = async (place) => {
    const page = await (await browser.newContext({ acceptDownloads: true })).newPage();
    await page.goto(pathToFileURL(path.resolve(place)).href);
    await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = true; }));
    return page;
  };
  const page = await open(path.join(report, name));
  await page.locator('.note[data-caster] textarea').fill(words.caster);
  const place = page.locator('.note[data-take] textarea').first();
  await place.fill(words.stroke);
  const [download] = await Promise.all([page.waitForEvent('download'), page.locator('.save-notes').click()]);
  await download.saveAs(path.join(folder, 'notes.toml'));
  const text = readFileSync(path.join(folder, 'notes.toml'), 'utf8');
  check(text.includes(JSON.stringify(words.caster)) && text.includes(JSON.stringify(words.stroke)), `the file is ${text}`);
  copyFileSync(path.join(folder, 'notes.toml'), file);
  execFileSync(tipwright, ['--quiet', 'day', session, '-o', results]);

  const again = await open(path.join(report, name));
  const shown = await again.evaluate(() => [...document.querySelectorAll('.note')].map((n) => [n.closest('article')?.id ?? 'caster', n.querySelector('.instructor')?.textContent ?? '']));
  check(shown.some(([on, said]) => on === 'caster' && said.includes(words.caster)), `not beside the caster: ${JSON.stringify(shown)}`);
  check(shown.some(([on, said]) => /stroke-1$/.test(on) && said.includes(words.stroke)), `not beside its stroke: ${JSON.stringify(shown)}`);
  const standing = await again.evaluate(() => [...document.querySelectorAll('.note textarea')].map((a) => a.value));
  check(standing.includes(words.caster) && standing.includes(words.stroke), `what stands in the file is not there to go on with: ${standing}`);
  const handouts = readdirSync(path.join(report, 'handout'));
  for (const handout of handouts.filter((f) => f.endsWith('.html')).slice(0, 1)) {
    const given = await open(path.join(report, 'handout', handout));
    const said = await given.locator('.instructor').textContent();
    check(said.includes(words.caster) && said.includes(words.stroke), `the handout says ${said}`);
    const paper = execFileSync('pdftotext', ['-layout', path.join(report, 'handout', handout.replace(/html$/, 'pdf')), '-']).toString().replace(/\s+/g, ' ');
    check(paper.includes(words.caster) && paper.includes(words.stroke), `the handout on paper says ${paper.slice(0, 900)}`);
  }
} finally {
  await browser.close();
  rmSync(file, { force: true });
  rmSync(folder, { recursive: true, force: true });
}
failures.forEach((what) => console.log(`FAILED: ${what}`));
console.log(`notes: written, read back, shown; ${failures.length} failed`);
process.exit(failures.length ? 1 : 0);
