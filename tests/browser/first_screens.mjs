// What stands on a page before anything is opened.
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { DESKTOP, PHONE, check, open } from './support.mjs';

// What the persons of the simulated days do (crates/tipwright-simulate/src/day/casts.rs), by session and caster, as findings name it: a
// wide arc domes the path.
const HABITS = {
  'Alder Reach, one cast': { '01': /early or abrupt power/i },
  'Alder Reach clinic': { '01': /domed path|wide loop|long fast arc/i, '02': /early or abrupt power/i, '03': /creep/i },
};

// What an instructor has in ten seconds: finding, how often, how sure, a picture, and no table.
export async function checkStory(file, folder, name) {
  for (const [label, size] of [['desktop', DESKTOP], ['phone', PHONE]]) {
    const { page } = await open(file, folder, size);
    const seen = await page.evaluate(() => {
      const inView = (e) => { const b = e.getBoundingClientRect(); return b.height > 0 && b.top >= 0 && b.top < innerHeight && b.left >= 0 && b.right <= innerWidth + 1; };
      const picture = [...document.querySelectorAll('.shown svg.plot')].find((e) => e.getClientRects().length > 0);
      const box = picture?.getBoundingClientRect();
      const findings = [...document.querySelectorAll('.findings li')];
      return {
        strokes: document.querySelectorAll('article.stroke').length,
        session: document.querySelector('header .count').textContent.replace(/, \d{4}-\d\d-\d\d$/, ''),
        caster: document.querySelector('.where')?.textContent.replace('Caster ', '') ?? '',
        titles: findings.map((li) => li.querySelector('b')?.textContent ?? ''),
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
    const habit = HABITS[seen.session]?.[seen.caster];
    check(!habit || seen.titles.some((t) => habit.test(t)), `${name}, ${label}: ${seen.caster} of ${seen.session} has the findings ${seen.titles}`);
    await page.close();
  }
}

// The day's page: picked by eye in four screens.
export async function checkDay(file, folder, name) {
  const { page } = await open(file, folder, DESKTOP);
  const seen = await page.evaluate(() => ({ casters: document.querySelectorAll('.glance').length, height: document.documentElement.scrollHeight,
    linked: [...document.querySelectorAll('.glance h2 a')].map((a) => a.href) }));
  console.log(`${name}: ${seen.height} px for ${seen.casters} casters`);
  check(seen.casters > 6 || seen.height < 4 * DESKTOP.height, `${name}: ${seen.height} px high for ${seen.casters} casters`);
  for (const href of seen.linked) check(existsSync(fileURLToPath(href)), `${name}: leads to ${href}, which is not there`);
  await page.close();
}

export async function checkLater(page, name) {
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
