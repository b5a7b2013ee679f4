// Ten things a person comes for, each begun at the first page on a phone, with the taps counted.
// A tap is a press on a link, a button or a choice; going into a field is one, choosing from a list
// is two. Prints the table of DEVELOPERS.md.
import { launch, serve } from './stand.mjs';

const MOST = 4;
const rows = [];
let failed = 0;

/** A page whose taps are counted. */
const phone = async (browser, site) => {
  const page = await browser.newPage({ viewport: { width: 390, height: 844 }, colorScheme: 'dark' });
  await page.goto(site.url);
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

const task = async (browser, site, name, work, limit = MOST) => {
  const p = await phone(browser, site);
  try {
    const answer = await work(p);
    const taps = p.taps();
    rows.push([name, p.way.join(', ') || 'look', taps]);
    if (!answer) { failed += 1; console.log(`  no: ${name}: the answer is not on the page`); }
    if (limit && taps > limit) { failed += 1; console.log(`  no: ${name}: ${taps} taps`); }
  } catch (error) {
    failed += 1;
    console.log(`  no: ${name}: ${error.message.split('\n')[0]}`);
  }
  await p.page.close();
};

/** Whether a text can be read without opening anything. */
const reads = async (page, text) => (await page.locator('body').innerText()).includes(text);
const bar = (page, name) => page.locator('nav.bar').getByRole('link', { name, exact: false }).first();
const more = async (p, name) => {
  await p.tap(p.page.locator('nav.bar summary'), 'More');
  await p.tap(p.page.locator('nav.bar ul a', { hasText: name }), name);
};

export const walk = async () => {
  const browser = await launch();
  const site = await serve('troubled');
  const go = (name, work, limit) => task(browser, site, name, work, limit);
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
    return (await reads(p.page, 'Saved')) && (await p.page.locator('.saved button', { hasText: 'Undo' }).isVisible());
  });
  await go('Take back what was just entered', async (p) => {
    await p.page.goto(`${site.url}/jar/J04`);
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

  // Not one of the ten: a station's first day.
  const fresh = await serve('empty');
  const begun = Date.now();
  let chosen = 0, typed = 0;
  const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
  await page.goto(fresh.url);
  const tap = async (locator) => { chosen += 1; await locator.click(); };
  const fill = async (name, text) => { const field = page.locator(`[name="${name}"]`); typed += 1; await field.fill(text); };
  await tap(page.getByRole('link', { name: 'Load jars' }));
  await page.locator('[name="species"]').selectOption('walleye'); chosen += 2;
  await fill('water', 'Alder Lake');
  await tap(page.locator('fieldset.when', { hasText: 'Fertilized' }).locator('label', { hasText: 'last night' }));
  for (const [name, text] of [['females', '12'], ['males', '30'], ['eggs_per_l', '130000']]) await fill(name, text);
  for (let jar = 1; jar <= 8; jar += 1) await tap(page.locator(`label:has([name="jar-J0${jar}"])`));
  await fill('volume', '1.5');
  const modes = await page.locator('[name="females"],[name="males"],[name="eggs_per_l"],[name="volume"]').evaluateAll((all) => all.map((el) => el.inputMode));
  if (modes.some((mode) => !['numeric', 'decimal'].includes(mode))) { failed += 1; console.log(`  no: a number without its pad: ${modes}`); }
  await tap(page.locator('form.load button.main'));
  await page.waitForLoadState('load');
  const text = await page.locator('.saved').innerText();
  if (!text.includes('8 jars') || !text.includes('Undo')) { failed += 1; console.log(`  no: eight jars: ${text}`); }
  // A press takes a person two seconds, a field with its typing eight: slow, with wet hands.
  const seconds = chosen * 2 + typed * 8 + (Date.now() - begun) / 1000;
  console.log(`    eight jars with last night's eggs, from nothing: ${chosen} presses, ${typed} fields, no date typed, about ${seconds.toFixed(0)} s by hand`);
  if (seconds > 180) { failed += 1; console.log('  no: eight jars take longer than three minutes'); }
  await tap(page.locator('.saved button', { hasText: 'Undo' }));
  await page.waitForLoadState('load');
  await fresh.stop();
  await browser.close();

  console.log('| task | way, from the first page | taps |\n|---|---|---|');
  for (const row of rows) console.log(`| ${row.join(' | ')} |`);
  return failed;
};

if (process.argv[1].endsWith('walk.mjs')) process.exit(await walk() ? 1 : 0);
