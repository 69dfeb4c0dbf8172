// Units on a page: the switch, and where units stand.
import { check } from './support.mjs';

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

export async function checkUnits(page, name, hasFigures) {
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
    check(!hasFigures || texts.some((t) => wanted.test(t.trim())), `${name}: with units ${choice} no number has that unit`);
  }
  const same = pairs.filter((p) => /[1-9]/.test(p));
  check(same.length === 0, `${name}: numbers the unit switch leaves alone: ${JSON.stringify(same.slice(0, 4))}`);
}

// A unit beside a title reads as its first word.
export async function checkUnitsBeforeTitles(page, name) {
  const before = await page.evaluate(() => [...document.querySelectorAll('svg.plot')].flatMap((svg) => {
    const title = svg.querySelector('text.title');
    if (!title) return [];
    const box = title.getBoundingClientRect();
    return [...svg.querySelectorAll('text.axisname')].filter((t) => { const b = t.getBoundingClientRect(); return b.height > 0 && b.right <= box.left + 1 && Math.abs(b.bottom - box.bottom) < 8; }).map((t) => `${t.textContent} ${title.textContent}`);
  }));
  check(before.length === 0, `${name}: units stand before titles: ${before.slice(0, 3)}`);
}
