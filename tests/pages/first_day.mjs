// A station's first day: from an empty database to eight jars with last night's eggs, on a phone,
// at the daemon as it ships with readings coming in. Counts every tap; asks the interface for programs
// what came of it.
import { check } from './report.mjs';
import { PIN, station } from './station.mjs';
import { until, visit } from './stand.mjs';

/** Slow, with wet hands: a press, a field with its number. */
const PRESS_S = 2, FIELD_S = 8;

export const firstDay = async (browser) => {
  const site = await station();
  const begun = Date.now();
  const context = await browser.newContext({ viewport: { width: 390, height: 844 }, colorScheme: 'dark', hasTouch: true, isMobile: true });
  const page = await context.newPage();
  await visit(page, site.url);
  check((await site.json('/entries')).entries.length === 0, 'the database is not empty');
  let presses = 0, fields = 0;
  const press = async (locator) => { presses += 1; await locator.tap(); };
  const choose = async (name, value) => { presses += 2; await page.locator(`select[name="${name}"]`).selectOption(value); };
  /** A number field must bring the pad; nothing that is typed may be a date. */
  const type = async (name, text, pad) => {
    const field = page.locator(`[name="${name}"]`).locator('visible=true');
    fields += 1;
    const mode = await field.getAttribute('inputmode');
    if (pad) check(mode === pad, `${name} brings no number pad: ${mode}`);
    check(!['date', 'time', 'datetime-local'].includes(await field.getAttribute('type')), `${name}: a date is typed`);
    await field.tap();
    await page.keyboard.type(text);
  };
  await press(page.getByRole('link', { name: 'Load jars' }));
  await page.waitForURL('**/load');
  await choose('species', 'walleye');
  await type('water', 'Alder Lake');
  await press(page.locator('fieldset.when', { hasText: 'Fertilized' }).locator('label', { hasText: 'last night' }));
  await type('females', '12', 'numeric');
  await type('males', '30', 'numeric');
  await type('eggs_per_l', '130000', 'numeric');
  for (let jar = 1; jar <= 8; jar += 1) await press(page.locator(`label:has([name="jar-0${jar}"])`));
  await type('volume', '1.5', 'decimal');
  await choose('who', 'kim');
  await type('pin', PIN, 'numeric');
  await press(page.locator('form.load button.main'));
  await page.waitForURL('**/load?done=*');
  const machine = (Date.now() - begun) / 1000;
  const seconds = presses * PRESS_S + fields * FIELD_S + machine;
  console.log(`    eight jars with last night's eggs, from nothing: ${presses} presses, ${fields} fields, no date typed, about ${seconds.toFixed(0)} s by hand`);
  check(seconds < 180, `eight jars take ${seconds.toFixed(0)} s`);
  const saved = page.locator('.saved');
  check((await saved.innerText()).includes('8 jars loaded'), `not said: ${await saved.innerText()}`);
  check(await saved.locator('button', { hasText: 'Undo' }).isVisible(), 'no way back at hand');

  // What the monitor knows now.
  const rack = await site.json('/rack');
  const loaded = rack.jars.filter((jar) => jar.state !== 'empty');
  check(loaded.length === 8, `${loaded.length} jars loaded`);
  check(loaded.every((jar) => jar.species === 'walleye' && jar.eggs === 195000 && jar.eggs_l === 1.5 && jar.lot === loaded[0].lot), `jars are not as entered: ${JSON.stringify(loaded[0])}`);
  let outlook = {};
  await until('the eggs have a sum', async () => { outlook = await site.json(`/jars/${loaded[0].id}/outlook`); return 'fertilized_at' in outlook; });
  const { fertilized_at } = outlook;
  // 20:00 in Chicago of the day before today there.
  const chicago = (at, options) => new Intl.DateTimeFormat('en-CA', { timeZone: 'America/Chicago', hourCycle: 'h23', ...options }).format(new Date(at));
  const yesterday = chicago(Date.now() - 86400000, { dateStyle: 'short' });
  check(chicago(fertilized_at, { dateStyle: 'short' }) === yesterday && chicago(fertilized_at, { hour: '2-digit', minute: '2-digit' }) === '20:00', `fertilized ${fertilized_at}`);
  await visit(page, site.url);
  await until('the rack shows water at the eggs', async () => (await page.locator('a.cell[href="/jar/01"]').innerText()).includes('°C'), 30000);
  // One press takes all ten entries back.
  await page.goBack();
  await page.locator('.saved button', { hasText: 'Undo' }).tap();
  await page.waitForURL('**/logbook?done=void');
  const after = await site.json('/rack');
  check(after.jars.every((jar) => jar.state === 'empty'), 'after Undo there are still eggs in jars');
  check(after.lots.length === 0, `after Undo there are still lots: ${JSON.stringify(after.lots)}`);
  await context.close();
  await site.stop();
};
