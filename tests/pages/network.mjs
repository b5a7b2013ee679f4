// A phone whose network goes and comes: what it shows meanwhile, and what becomes of its entries.
import { check } from './report.mjs';
import { serve, until, visit } from './stand.mjs';
import { wire } from './wire.mjs';

const bar = async (page) => await page.locator('#not-live').isVisible() ? page.locator('#not-live').innerText() : '';
const waiting = (page) => page.evaluate(() => Object.keys(localStorage).filter((key) => key.startsWith('kept-')).length);
const live = (page) => page.evaluate(() => document.documentElement.dataset.live === 'yes');

/** A phone that has seen rack and jar, so that its worker knows them. */
const phone = async (browser, url) => {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 }, colorScheme: 'dark' });
  const page = await context.newPage();
  await visit(page, url);
  await page.evaluate(() => navigator.serviceWorker.ready);
  await until('the worker takes the page', () => page.evaluate(() => Boolean(navigator.serviceWorker.controller)));
  for (const path of ['/', '/logbook', '/jar/J03']) {
    await visit(page, url + path);
    await until(`${path} is kept`, () => page.evaluate((key) => caches.match(key).then(Boolean), url + path));
  }
  return { context, page };
};

const note = async (page, text) => {
  const form = page.locator('form[action="/entry/note"]');
  if (!await form.isVisible()) await page.locator('details[name="quick"] > summary', { hasText: 'Note' }).click();
  await form.locator('[name="text"]').fill(text);
  await form.locator('button.main').click();
};

/** How often each text stands in the logbook, asked past the browser. */
const made = async (site, texts) => {
  const answer = await (await fetch(`${site.url}/api/v1/entries?limit=200`)).text();
  return texts.map((text) => answer.split(text).length - 1);
};
const once = async (site, texts) => {
  const times = await made(site, texts);
  times.forEach((n, i) => check(n === 1, `"${texts[i]}" was made ${n} times`));
};

/** No network at all. */
export const offline = async (browser) => {
  const site = await serve('troubled');
  const line = await wire(site.port);
  const { context, page } = await phone(browser, line.url);
  // The browser is told, and the wire is cut: its worker begins anew at times and has to find out.
  const network = async (yes) => { line.cut(!yes); await context.setOffline(!yes); };
  const age = () => page.locator('[data-t]').first().innerText();
  await network(false);
  await page.reload();
  check((await bar(page)).includes('Last known state'), `without network the page does not say that it is old: "${await bar(page)}"`);
  check((await page.locator('h1').first().innerText()).includes('J03'), 'without network the jar seen before is not shown');
  // Three hours in the pocket: nothing on the page may look new.
  const before = await age();
  await page.evaluate(() => { const now = Date.now; Date.now = () => now() + 3 * 3600000; dispatchEvent(new Event('visibilitychange')); document.dispatchEvent(new Event('visibilitychange')); });
  await until('the ages go on', async () => await age() !== before && / h ago| days ago/.test(await age()));
  await page.reload();
  const texts = ['first without network', 'second without network', 'third on another page'];
  await note(page, texts[0]);
  await until('the entry waits', async () => (await bar(page)).includes('1 entry waits'));
  await note(page, texts[1]);
  await until('both wait', async () => (await bar(page)).includes('2 entries wait'));
  check((await bar(page)).includes('Last known state'), 'the waiting entries hide that the page is old');
  await page.goto(`${line.url}/`);
  check((await page.locator('main').innerText()).includes('J03'), 'without network the rack seen before is not shown');
  check((await bar(page)).includes('2 entries wait'), 'the waiting entries are forgotten on another page');
  await page.goto(`${line.url}/jar/J03`);
  await note(page, texts[2]);
  await until('all three wait', async () => (await bar(page)).includes('3 entries wait'));
  // A browser calls itself online for a moment without reaching anybody: the page stays as it is, and
  // who is on the way to another page arrives there.
  await page.evaluate(() => { globalThis.same = true; dispatchEvent(new Event('online')); });
  await page.waitForTimeout(500);
  check(await page.evaluate(() => globalThis.same === true), 'the page is loaded anew though the monitor is out of reach');
  await page.evaluate(() => {
    const ask = globalThis.fetch;
    globalThis.fetch = (what, how) => what === '/health' ? new Promise((done) => setTimeout(() => done(new Response('')), 30)) : ask(what, how);
    dispatchEvent(new Event('online'));
    location.assign('/logbook');
  });
  await page.waitForURL('**/logbook');
  await page.waitForTimeout(300);
  check(page.url().endsWith('/logbook'), 'the page that was left comes back');
  await page.goto(`${line.url}/season`);
  check((await page.locator('main').innerText()).includes('not seen before'), 'a page never seen pretends to be there');
  await page.goto(`${line.url}/jar/J03`);
  // Another tab of the same phone sends at the same time.
  const other = await context.newPage();
  await other.goto(`${line.url}/`);
  await network(true);
  await until('the entries are sent', async () => await waiting(page) === 0);
  await until('the page is fresh again', async () => await page.evaluate(() => !document.documentElement.dataset.known && !document.getElementById('not-live').textContent));
  await once(site, texts);
  // An acknowledgment is not kept: it says so and leaves the page as it is.
  await visit(page, `${line.url}/alarms`);
  await network(false);
  await page.locator('#e41 button.main', { hasText: 'Acknowledge' }).click();
  await until('it says that nothing was sent', async () => (await bar(page)).includes('not sent'));
  check(page.url().endsWith('/alarms'), 'the page is lost with what was not sent');
  await context.close();
  await line.stop();
  await site.stop();
};

/** The phone believes in its network, but the monitor is out of reach; then answers get lost on the way back. */
export const lostAnswers = async (browser) => {
  const site = await serve('troubled');
  const line = await wire(site.port);
  const { context, page } = await phone(browser, line.url);
  const texts = ['sent while the wire was cut', 'answered into the void'];
  line.cut(true);
  await note(page, texts[0]);
  await until('the entry waits', async () => (await bar(page)).includes('1 entry waits'), 20000);
  check((await made(site, texts))[0] === 0, 'an entry went through a cut wire');
  line.loseAnswersTo('POST');
  line.cut(false);
  // The page's own retries go out; the monitor makes the entry, the phone never hears of it.
  await note(page, texts[1]);
  await until('both are made', async () => (await made(site, texts)).every((n) => n === 1), 60000);
  check(await waiting(page) === 2, 'an entry is thought sent before an answer came');
  const before = line.lost();
  await page.evaluate(() => dispatchEvent(new Event('online')));
  await until('it is sent once more and unheard again', () => line.lost() > before, 30000);
  check(await waiting(page) === 2, 'an entry is thought sent before an answer came');
  line.loseAnswersTo(null);
  await until('the answers come', async () => await waiting(page) === 0, 60000);
  console.log(`    ${line.lost()} answers were lost on the way`);
  await once(site, texts);
  await context.close();
  await line.stop();
  await site.stop();
};

/** What the monitor refuses is shown with its reason, and what was typed stays; also when it was sent late. */
export const refused = async (browser) => {
  const site = await serve('troubled');
  const line = await wire(site.port);
  const { context, page } = await phone(browser, line.url);
  const siphon = async () => {
    await page.locator('details[name="quick"] > summary', { hasText: 'Siphon' }).click();
    const form = page.locator('form[action="/entry/siphon"]');
    await form.locator('[name="volume"]').fill('a cup');
    await form.locator('button.main').click();
  };
  await siphon();
  await page.waitForURL('**/entry/siphon');
  check((await page.locator('.problem').first().innerText()).includes('Nothing was saved'), 'a refused entry does not say so');
  check(await page.locator('form[action="/entry/siphon"] [name="volume"]').inputValue() === 'a cup', 'what was typed is gone');
  check(await waiting(page) === 0, 'a refused entry waits');
  await visit(page, `${line.url}/jar/J03`);
  line.cut(true);
  await context.setOffline(true);
  await siphon();
  await until('the entry waits', async () => (await bar(page)).includes('1 entry waits'));
  line.cut(false);
  await context.setOffline(false);
  await until('it is said to be refused', async () => /Refused: siphon \(.*volume a cup/.test(await bar(page)));
  await page.locator('#not-live').click();
  await until('it is struck off by a touch', async () => await waiting(page) === 0 && await bar(page) === '');
  await context.close();
  await line.stop();
  await site.stop();
};

const signIn = async (page, url) => {
  await visit(page, `${url}/sign-in`);
  await page.fill('#name', 'kim');
  await page.fill('#password', 'alder leaves on still water');
  await page.click('button.main');
  await page.waitForURL(`${url}/`);
};

/** What one person wrote is not sent in another's name. */
export const othersEntries = async (browser) => {
  const site = await serve('people');
  const { context, page } = await phone(browser, site.url);
  await signIn(page, site.url);
  await visit(page, `${site.url}/jar/J03`);
  await context.setOffline(true);
  await note(page, 'by kim in the shed');
  await until('the entry waits', async () => (await bar(page)).includes('1 entry waits'));
  // The session ends before the network is back.
  await context.clearCookies();
  await context.setOffline(false);
  await visit(page, `${site.url}/logbook`);
  await until('it asks for kim', async () => (await bar(page)).includes('sign in as kim'));
  check((await made(site, ['by kim in the shed']))[0] === 0, 'an entry was made by nobody');
  await signIn(page, site.url);
  await until('it is sent', async () => await waiting(page) === 0);
  await once(site, ['by kim in the shed']);
  await context.close();
  await site.stop();
};

/** A session that ended where reading needs a person: the monitor leads to the sign-in, and nothing is lost. */
export const sessionOver = async (browser) => {
  const site = await serve('closed');
  const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
  const page = await context.newPage();
  await signIn(page, site.url);
  await visit(page, `${site.url}/jar/J03`);
  const cookies = await context.cookies();
  await context.clearCookies();
  await note(page, 'after the session was over');
  await until('it waits for somebody to sign in', async () => (await bar(page)).includes('1 entry waits on this device: sign in'));
  await signIn(page, site.url);
  await until('it is sent', async () => await waiting(page) === 0);
  check(cookies.length > 0, 'there was no session');
  await visit(page, `${site.url}/logbook`);
  const log = await page.locator('main').innerText();
  check(log.split('after the session was over').length === 2, `made ${log.split('after the session was over').length - 1} times`);
  await context.close();
  await site.stop();
};

/** A monitor that stops and comes back, and a page that sleeps. */
export const reconnect = async (browser) => {
  let site = await serve('troubled');
  const { port } = site;
  const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
  await visit(page, site.url);
  await until('the page is live', () => live(page));
  await site.stop();
  await until('the page says that it is not live', async () => (await bar(page)).startsWith('Not live'), 45000);
  site = await serve('well', port);
  await until('the page is live again and right', async () => await bar(page) === '' && (await page.locator('#answer h1').innerText()) === 'All well', 45000);
  // Asleep: hidden pages close their stream, and open it again when looked at.
  await page.evaluate(() => { Object.defineProperty(document, 'hidden', { value: true, configurable: true }); document.dispatchEvent(new Event('visibilitychange')); });
  check(!await live(page), 'a sleeping page keeps its stream');
  await page.evaluate(() => { Object.defineProperty(document, 'hidden', { value: false, configurable: true }); document.dispatchEvent(new Event('visibilitychange')); });
  await until('the page is live after sleep', () => live(page));
  await page.close();
  await site.stop();
};
