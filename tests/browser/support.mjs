// What all checks of pages share: two browsers (one a context a page for touch), the count of what held, and pages opened under watch.
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { pathToFileURL } from 'node:url';
import { chromium } from 'playwright-core';

export const LIMITS = { bytes: 10e6, handoutBytes: 1.5e6, firstPaintMs: 500, openMs: 1000, smallestText: 10.95 };
export const DESKTOP = { width: 1400, height: 900 }, PHONE = { width: 390, height: 844 };
export const A4 = { width: Math.round(190 / 25.4 * 96), height: Math.round(269 / 25.4 * 96) };
let passed = 0;
const failures = [];
export const check = (holds, what) => {
  if (holds) passed += 1;
  else { failures.push(what); console.log(`FAILED: ${what}`); }
};

export const profile = mkdtempSync(path.join(tmpdir(), 'tipwright-browser-'));
export const browser = await chromium.launchPersistentContext(profile, {
  executablePath: process.env.CHROMIUM || undefined,
  headless: true,
  viewport: { width: 1360, height: 900 },
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
    '--disable-component-update', '--disable-sync'],
});

export const engine = await chromium.launch({ executablePath: process.env.CHROMIUM || undefined, args: ['--no-sandbox', '--disable-gpu'] });

export async function open(file, folder, { width = 1360, height = 900, scheme = 'light' } = {}) {
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
export const drawAll = (page) => page.evaluate(async () => {
  document.querySelectorAll('main details').forEach((d) => { d.open = true; });
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
});

export async function finish() {
  await browser.close();
  await engine.close();
  rmSync(profile, { recursive: true, force: true });
  console.log(`${passed} passed, ${failures.length} failed`);
  process.exit(failures.length || !passed ? 1 : 0);
}
