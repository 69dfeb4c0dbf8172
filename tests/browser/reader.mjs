// What readers do with a page: sort, write a note, have it read out.
import { execFileSync } from 'node:child_process';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import path from 'node:path';
import { DESKTOP, check, open, profile } from './support.mjs';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

export async function checkSort(page, name) {
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

// What an instructor writes on a page comes back as a file, beside what was there already.
export async function checkNotes(file, folder, name) {
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

export async function checkAxe(page, name) {
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
