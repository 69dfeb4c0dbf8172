// Pages on paper, and the handout's own.
import { execFileSync } from 'node:child_process';
import { existsSync, readFileSync, readdirSync } from 'node:fs';
import path from 'node:path';
import { A4, check, drawAll, open, profile } from './support.mjs';

export async function checkPrint(file, folder, name, kind) {
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

// The handout on paper, beside its page: two pages, the student's name, nobody else's.
export function checkPaper(file, name, sheets) {
  const paper = file.replace(/html$/, 'pdf');
  if (!existsSync(paper)) return check(false, `${name}: no handout on paper beside it`);
  const text = execFileSync('pdftotext', ['-layout', paper, '-']).toString();
  const pages = text.split('\f').slice(0, -1);
  const own = /<h1>([^<]*)<\/h1>/.exec(readFileSync(file, 'utf8'))[1];
  check(pages.length === sheets, `${name}: ${pages.length} printed pages`);
  check(text.includes(own), `${name}: ${own} does not stand on paper`);
  const others = readdirSync(path.dirname(file)).filter((f) => f.endsWith('.html')).map((f) => /<h1>([^<]*)<\/h1>/.exec(readFileSync(path.join(path.dirname(file), f), 'utf8'))[1]).filter((n) => n !== own);
  check(others.every((n) => !text.includes(n)), `${name}: somebody else stands on paper`);
  check(/of twenty such intervals about one misses/.test(text.replace(/\s+/g, ' ')), `${name}: no cautions on paper`);
}
