// Ten things a person comes for, each begun at the first page on a phone, with the taps counted.
// A tap is a press on a link, a button or a choice; going into a field is one, choosing from a list
// is two. Prints the table of DEVELOPERS.md.
import { readFileSync } from 'node:fs';
import { check } from './report.mjs';
import { serve, visit } from './stand.mjs';

const MOST = 4;
const rows = [];

/** A page whose taps are counted. */
const phone = async (browser, site) => {
  const page = await browser.newPage({ viewport: { width: 390, height: 844 }, colorScheme: 'dark' });
  await visit(page, site.url);
  const way = [];
  let taps = 0;
  const note = (words, n = 1) => { taps += n; way.push(words); };
  return {
    page, way,
    taps: () => taps,
    tap: async (locator, words) => { note(words); await locator.click(); await page.waitForLoadState('load'); },
    type: async (locator, text, words) => { note(words); await locator.fill(text); },
    choose: async (locator, value, words) => { note(words, 2); await locator.selectOption(value); },
  };
};

const task = async (browser, site, name, work) => {
  const p = await phone(browser, site);
  try {
    const answer = await work(p);
    const taps = p.taps();
    rows.push([name, p.way.join(', ') || 'look', taps]);
    check(answer, `${name}: the answer is not on the page`);
    check(taps <= MOST, `${name}: ${taps} taps`);
  } catch (error) {
    check(false, `${name}: ${error.message.split('\n')[0]}`);
  }
  await p.page.close();
};

/** Whether a text can be read without opening anything. */
// A person looks until it is there; what is sent by script brings its answer a moment after the press.
const there = (waited) => waited.then(() => true, () => false);
const reads = (page, text) =>
  there(page.waitForFunction((wanted) => document.body?.innerText.includes(wanted), text, { timeout: 5000 }));
const bar = (page, name) => page.locator('nav.bar').getByRole('link', { name, exact: false }).first();
const more = async (p, name) => {
  await p.tap(p.page.locator('nav.bar summary'), 'More');
  await p.tap(p.page.locator('nav.bar ul a', { hasText: name }), name);
};

export const walk = async (browser) => {
  const site = await serve('troubled');
  const go = (name, work) => task(browser, site, name, work);
  await go('Is everything well, and what needs me?', async (p) => await reads(p.page, 'No flow') && await reads(p.page, 'Needs you'));
  await go('Acknowledge the worst alarm', async (p) => {
    await p.tap(p.page.locator('#needs a').first(), 'Needs you: No flow');
    await p.tap(p.page.locator('#e41 button.main'), 'Acknowledge');
    return (await p.page.locator('#e41').innerText()).includes('Acknowledged by');
  });
  await go('Log a siphon with cold fingers', async (p) => {
    await p.tap(p.page.locator('a.cell[href="/jar/J03"]'), 'jar J03');
    await p.tap(p.page.locator('details[name="quick"] > summary', { hasText: 'Siphon' }), 'Siphon');
    const form = p.page.locator('form[action="/entry/siphon"]');
    await p.type(form.locator('[name="volume"]'), '35', 'the amount');
    await p.tap(form.locator('button.main'), 'Save');
    const undo = p.page.locator('.saved button', { hasText: 'Undo' });
    return (await reads(p.page, 'Saved')) && (await there(undo.waitFor({ state: 'visible', timeout: 5000 })));
  });
  await go('Take back what was just entered', async (p) => {
    await visit(p.page, `${site.url}/jar/J04`);
    await p.page.locator('details[name="quick"] > summary', { hasText: 'Siphon' }).click();
    await p.page.locator('form[action="/entry/siphon"] [name="volume"]').fill('36');
    await p.page.locator('form[action="/entry/siphon"] button.main').click();
    await p.tap(p.page.locator('.saved button'), 'Undo');
    return reads(p.page, 'Taken back');
  });
  await go('Last day to treat a lot', async (p) => {
    await p.tap(bar(p.page, 'Days'), 'Days');
    return reads(p.page, 'Last day to treat');
  });
  await go('Who was told of the alarm, and when', async (p) => {
    await more(p, 'Messages');
    return await reads(p.page, 'to Kim') && await reads(p.page, 'No flow header B');
  });
  await go('What is to be done today', async (p) => {
    await more(p, 'Today');
    return await reads(p.page, 'to do') || await reads(p.page, 'Nothing is due');
  });
  await go('Flow of a jar over the last day', async (p) => {
    await p.tap(p.page.locator('a.cell[href="/jar/J12"]'), 'jar J12');
    await p.tap(p.page.getByRole('link', { name: '1 day', exact: true }), '1 day');
    return p.page.locator('svg.chart[data-plot]').nth(1).isVisible();
  });
  await go('When a thermometer was last checked', async (p) => {
    await more(p, 'Sensors');
    await p.tap(p.page.locator('a[href="/sensors/J03T"]').first(), 'J03T');
    return reads(p.page, 'J03T');
  });
  await go('Who is on call, and the last drill', async (p) => {
    await more(p, 'Station');
    return await reads(p.page, 'On call now') && await reads(p.page, 'rill');
  });
  await site.stop();
  console.log('| task | way, from the first page | taps |\n|---|---|---|');
  const lines = rows.map((row) => `| ${row.join(' | ')} |`);
  for (const line of lines) console.log(line);
  // What is written down for reviewers is what was walked.
  const written = readFileSync(new URL('../../DEVELOPERS.md', import.meta.url), 'utf8').split('## Reviewer')[1].split('\n## ')[0];
  check(rows.length === 10, `${rows.length} tasks were walked`);
  for (const line of lines) check(written.includes(line), `not so in DEVELOPERS.md: ${line}`);
};
