// Nothing stands empty: where something is missing a page says in words what, why, and what to do.
import { DESKTOP, check, drawAll, open } from './support.mjs';

export async function checkNothingEmpty(file, folder, name) {
  const { page } = await open(file, folder, DESKTOP);
  await drawAll(page);
  const found = await page.evaluate(() => {
    const out = [], all = (selector, within = document) => [...within.querySelectorAll(selector)];
    const said = (e) => e.textContent.replace(/\s+/g, ' ').trim(), things = 'svg, img, video, input, textarea', shows = (e) => said(e) !== '' || e.matches(things) || e.querySelector(things) !== null;
    for (const table of all('table')) {
      const rows = all('tbody tr', table), about = said(table.querySelector('caption') ?? table).slice(0, 60);
      if (rows.length === 0) out.push(`a table without rows: ${about}`);
      const columns = rows.length ? [...rows[0].cells].map((_, k) => rows.every((r) => !r.cells[k] || r.cells[k].classList.contains('none') || said(r.cells[k]) === '')) : [];
      if (columns.some((empty) => empty)) out.push(`a table with empty columns ${columns.flatMap((empty, k) => (empty ? said(table.querySelectorAll('thead th')[k]) : []))}: ${about}`);
    }
    for (const svg of all('svg.plot')) if (all('polyline, path, circle, polygon, rect', svg).length === 0) out.push(`a drawing of nothing: ${svg.getAttribute('aria-label')}`);
    for (const list of all('ul, dl')) if (list.children.length === 0) out.push(`an empty list in ${list.parentElement.className}`);
    for (const fold of all('details')) if (![...fold.children].some((c) => c.tagName !== 'SUMMARY' && shows(c))) out.push(`nothing under ${said(fold)}`);
    for (const part of all('section')) if (![...part.children].some((c) => !/^H\d$/.test(c.tagName) && !c.classList.contains('where') && !c.hidden && shows(c))) out.push(`a heading over nothing: ${said(part)}`);
    for (const text of all('p, li, figcaption, td')) if (/[.:;] [.;]|: \.|\(\)|undefined|NaN/.test(said(text))) out.push(`a text that breaks off: ${said(text).slice(-60)}`);
    // A take that could not be measured: which, why and what to do, on the day's page and beside the take.
    for (const take of all('section.take')) {
      const why = all('.warnings li', take).map(said).join(' ');
      if (all('article.stroke', take).length === 0 && why.length < 40) out.push(`take ${said(take)} has no stroke and no reason`);
    }
    const failed = all('main > p.failed').filter((p) => p.querySelector('a'));
    for (const p of failed) if (said(p).replace(/^.*could not be measured/, '').length < 30) out.push(`no reason: ${said(p)}`);
    if (failed.length > 0 && !all('main > p.aside').some((p) => /tipwright day/.test(said(p)))) out.push('nobody says what to do about takes that failed');
    // Without a stroke no figure is explained and nothing is offered to compare.
    const counts = /(\d+) strokes?\b/.exec(said(document.querySelector('.count') ?? document.body));
    if (counts?.[1] === '0' && document.getElementById('glossary')) out.push('figures are explained where there are none');
    return out;
  });
  check(found.length === 0, `${name}: ${found.slice(0, 4).join('; ')}`);
  await page.close();
}
