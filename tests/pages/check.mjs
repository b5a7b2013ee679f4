// Looks at every page as people do: four widths, two themes, with and without script, on paper,
// without network, with a monitor that restarts, and two at once. Prints what it measured.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { PAGES, launch, serve, until } from './stand.mjs';
import { walk } from './walk.mjs';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const WIDTHS = [360, 390, 768, 1280];
const LEAST_TARGET = 44;
/** Pages that hold every component and colour, or lay them out anew on a wide screen. */
const BESIDE = ['rack', 'jar', 'days', 'plan', 'alarms', 'components', 'season', 'sensors', 'load', 'cards'];
/** Pages that look different when all is well. */
const STATES = ['rack', 'jar', 'alarms', 'today', 'load'];
const failures = [];
let checks = 0;
const check = (holds, words) => { checks += 1; if (!holds) { failures.push(words); console.log(`  no: ${words}`); } };
// `run "without network|two"` takes only the steps whose names fit.
const wanted = new RegExp(process.argv[2] ?? '');
const step = async (name, work) => {
  if (!wanted.test(name)) return;
  const begin = Date.now(), before = failures.length;
  try { await work(); } catch (error) { check(false, `${name}: ${error.message.split('\n')[0]}`); }
  console.log(`${failures.length === before ? 'ok ' : 'NOT'} ${name} (${((Date.now() - begin) / 1000).toFixed(1)} s)`);
};

const browser = await launch();

/** What is wrong with the size of a page and of what can be touched. Runs in the page. */
const measure = (least) => {
  const seen = (el) => { const style = getComputedStyle(el); return style.visibility !== 'hidden' && style.display !== 'none' && !el.closest('details:not([open]) > :not(summary)'); };
  const wide = [...document.querySelectorAll('body *')].filter((el) => seen(el) && !el.closest('svg svg, .hidden, .skip, svg.defs') && el.getBoundingClientRect().right > innerWidth + 1).slice(0, 3);
  const small = [...document.querySelectorAll('a[href], button, summary, input:not([type="hidden"]), select, textarea')].filter((el) => {
    if (!seen(el) || el.matches('.skip')) return false;
    // A link inside a sentence is exempt, as in WCAG 2.2, 2.5.8 (inline).
    if (el.matches('p a, li a, td a') && getComputedStyle(el).display === 'inline') return false;
    const touched = el.matches('input[type="radio"], input[type="checkbox"]') ? el.closest('label') ?? el : el;
    const box = touched.getBoundingClientRect();
    return box.width > 0 && (box.height < least - 0.5 || box.width < least - 0.5);
  });
  const name = (el) => `${el.tagName.toLowerCase()}${el.className && el.className.baseVal === undefined ? '.' + String(el.className).split(' ').join('.') : ''} "${(el.textContent || el.value || '').trim().slice(0, 24)}"`;
  return { scroll: document.documentElement.scrollWidth - innerWidth, wide: wide.map(name), small: [...new Set(small.map((el) => { const box = el.getBoundingClientRect(); return `${name(el)} ${box.width.toFixed(0)}×${box.height.toFixed(0)}`; }))].slice(0, 4) };
};

const sizes = async (site, mode) => {
  for (const width of WIDTHS) {
    const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme: 'dark' });
    const page = await context.newPage();
    const errors = [];
    page.on('pageerror', (error) => errors.push(error.message));
    page.on('console', (message) => { if (message.type() === 'error' && !message.text().includes('404')) errors.push(message.text()); });
    for (const [name, path] of PAGES) {
      if (mode === 'well' && !STATES.includes(name)) continue;
      await page.goto(site.url + path, { waitUntil: 'load' });
      for (const open of [false, true]) {
        if (open) await page.evaluate(() => { for (const el of document.querySelectorAll('details:not([name])')) el.open = true; });
        const found = await page.evaluate(measure, LEAST_TARGET);
        check(found.scroll <= 0, `${mode} ${name} at ${width}: ${found.scroll} px too wide, by ${found.wide.join(', ')}`);
        check(found.small.length === 0, `${mode} ${name} at ${width}: too small to touch: ${found.small.join('; ')}`);
      }
    }
    check(errors.length === 0, `${mode} at ${width}: ${errors.slice(0, 2).join(' | ')}`);
    await context.close();
  }
};

const accessibility = async (site, mode, theme, width) => {
  const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme: theme, bypassCSP: true });
  const page = await context.newPage();
  for (const [name, path] of PAGES) {
    // A state that looks the same in both modes is looked at once; beside the dark phone only pages
    // that hold every component and colour, or lay them out anew.
    if (mode === 'well' && !STATES.includes(name)) continue;
    if (!(theme === 'dark' && width === 390) && !BESIDE.includes(name)) continue;
    await page.goto(site.url + path);
    await page.evaluate(() => { for (const el of document.querySelectorAll('details:not([name])')) el.open = true; });
    await page.evaluate(AXE);
    const result = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ['violations'] }));
    const bad = result.violations.filter((v) => ['serious', 'critical'].includes(v.impact));
    check(bad.length === 0, `${mode} ${name} ${theme} ${width}: ${bad.map((v) => `${v.id} (${v.nodes.length}: ${v.nodes[0].target})`).join(', ')}`);
  }
  await context.close();
};

/** Contrast of the answer line by the formula of WCAG 2.2, measured on what is drawn. */
const answerContrast = async (site, mode) => {
  for (const theme of ['dark', 'light']) {
    const page = await browser.newPage({ viewport: { width: 390, height: 844 }, colorScheme: theme });
    await page.goto(site.url);
    const ratios = await page.evaluate(() => {
      const light = (css) => { const [r, g, b] = css.match(/[\d.]+/g).map((v) => v / 255).map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
      const ground = light(getComputedStyle(document.querySelector('.answer')).backgroundColor);
      return [...document.querySelectorAll('.answer h1, .answer p')].map((el) => { const ink = light(getComputedStyle(el).color); return (Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05); });
    });
    const least = Math.min(...ratios);
    console.log(`    answer lines ${mode} ${theme}: at least ${least.toFixed(1)} to 1`);
    check(least >= 7, `answer line ${mode} ${theme}: contrast ${least.toFixed(2)}`);
    await page.close();
  }
};

const withoutScript = async (site) => {
  const context = await browser.newContext({ viewport: { width: 360, height: 800 }, javaScriptEnabled: false });
  const page = await context.newPage();
  for (const [name, path] of PAGES) {
    const answer = await page.goto(site.url + path);
    check(answer.status() === (name === 'nowhere' ? 404 : answer.status()) && answer.status() < 500, `${name} without script: ${answer.status()}`);
    check(await page.locator('main').innerText() !== '', `${name} without script is empty`);
  }
  // An entry from a form, and an acknowledgment, without any script.
  await page.goto(`${site.url}/jar/J03`);
  await page.locator('details[name="quick"] > summary', { hasText: 'Note' }).click();
  const form = page.locator('form[action="/entry/note"]');
  await form.locator('[name="text"]').fill('written without script');
  await form.locator('button.main').click();
  check((await page.locator('main').innerText()).includes('written without script'), 'an entry without script is not shown');
  await page.goto(`${site.url}/alarms`);
  await page.locator('#e41 button.main', { hasText: 'Acknowledge' }).click();
  check((await page.locator('#e41').innerText()).includes('demo'), 'an acknowledgment without script is not shown');
  await context.close();
};

const keyboard = async (site) => {
  const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
  await page.goto(site.url);
  await page.keyboard.press('Tab');
  check(await page.evaluate(() => document.activeElement.matches('.skip')), 'the first stop of the keyboard is not the way past the bar');
  await page.keyboard.press('Enter');
  check(await page.evaluate(() => document.activeElement.id === 'main' || location.hash === '#main'), 'the way past the bar leads nowhere');
  await page.goto(`${site.url}/alarms`);
  const reached = new Set();
  for (let i = 0; i < 200; i += 1) {
    await page.keyboard.press('Tab');
    const at = await page.evaluate(() => { const el = document.activeElement; const style = getComputedStyle(el); return el === document.body ? '' : `${el.tagName} ${(el.textContent || '').trim().slice(0, 20)}|${style.outlineStyle}`; });
    if (!at) break;
    check(!at.endsWith('|none'), `no mark where the keyboard is: ${at}`);
    reached.add(at.split('|')[0]);
  }
  check([...reached].some((at) => at.includes('Acknowledge')) && [...reached].some((at) => at.includes('Pause')), 'the keyboard does not reach the answers to an alarm');
  await page.close();
};

const zoomed = async (site) => {
  // 200 % zoom of a 1280 px window is a 640 px page.
  const page = await browser.newPage({ viewport: { width: 640, height: 450 }, deviceScaleFactor: 2 });
  for (const [name, path] of PAGES) {
    await page.goto(site.url + path);
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    check(wide <= 0, `${name} at 200 %: ${wide} px too wide`);
  }
  await page.close();
};

const paper = async (site) => {
  const page = await browser.newPage();
  for (const [name, path] of PAGES) {
    await page.goto(site.url + path);
    const pdf = await page.pdf({ format: 'A4' });
    check(pdf.length > 2000 && pdf.subarray(0, 5).toString() === '%PDF-', `${name} on paper`);
    await page.emulateMedia({ media: 'print' });
    check(await page.locator('nav.bar').isHidden(), `${name}: the bar is printed`);
    await page.emulateMedia({ media: null });
  }
  await page.close();
};

const load = async (site) => {
  for (const [name, path, later] of [['first view', '/', '/alarms'], ['later view', '/alarms', null]]) {
    const context = await browser.newContext({ viewport: { width: 390, height: 844 }, serviceWorkers: 'block' });
    const page = await context.newPage();
    const session = await context.newCDPSession(page);
    const count = async (to) => {
      let bytes = 0, requests = 0;
      const kinds = [];
      const ids = new Set();
      const request = (event) => { if (!event.request.url.startsWith('data:') && new URL(event.request.url).pathname !== '/live') { requests += 1; ids.add(event.requestId); kinds.push(new URL(event.request.url).pathname); } };
      const done = (event) => { if (ids.has(event.requestId)) bytes += event.encodedDataLength; };
      session.on('Network.requestWillBeSent', request); session.on('Network.loadingFinished', done);
      await session.send('Network.enable');
      await page.goto(site.url + to, { waitUntil: 'load' });
      await page.waitForTimeout(300);
      session.off('Network.requestWillBeSent', request); session.off('Network.loadingFinished', done);
      return { bytes, requests, kinds };
    };
    const first = await count(path);
    if (later) {
      console.log(`    ${name}: ${(first.bytes / 1000).toFixed(1)} kB in ${first.requests} requests (${first.kinds.join(' ')})`);
      check(first.bytes < 60000 && first.requests <= 4, `first view: ${first.bytes} bytes, ${first.requests} requests`);
      for (const [next, to] of PAGES) {
        const again = await count(to);
        console.log(`    later view ${next}: ${(again.bytes / 1000).toFixed(1)} kB in ${again.requests}`);
        check(again.bytes < 15000, `later view ${next}: ${again.bytes} bytes`);
      }
    }
    await context.close();
  }
};

const quietTraffic = async (site) => {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
  const page = await context.newPage();
  const session = await context.newCDPSession(page);
  await session.send('Network.enable');
  let bytes = 0;
  // What the stream carries, unpacked; the library reports packed lengths late and in lumps.
  session.on('Network.dataReceived', (event) => { bytes += event.dataLength; });
  let streams = 0;
  session.on('Network.requestWillBeSent', (event) => { streams += Number(new URL(event.request.url).pathname === '/live'); });
  await page.goto(site.url);
  await until('the page is live', () => page.evaluate(() => document.documentElement.dataset.live === 'yes'));
  await page.waitForTimeout(3000);
  bytes = 0;
  await page.waitForTimeout(20000);
  console.log(`    live traffic while nothing changes: ${(bytes / 2).toFixed(0)} bytes in 10 s`);
  check(bytes / 2 <= 500, `live traffic ${bytes / 2} bytes in 10 s`);
  check(bytes > 0, 'the stream does not beat');
  check(streams === 1, `${streams} streams of one page in 23 s`);
  // Asleep and awake again over the same picture: the stream begins anew and sends a beat, no piece.
  bytes = 0;
  const sleep = (hidden) => page.evaluate((value) => { Object.defineProperty(document, 'hidden', { value, configurable: true }); document.dispatchEvent(new Event('visibilitychange')); }, hidden);
  await sleep(true);
  await sleep(false);
  await until('the page is live again', () => page.evaluate(() => document.documentElement.dataset.live === 'yes'));
  await page.waitForTimeout(1500);
  console.log(`    a stream that begins anew over an unchanged picture: ${bytes} bytes`);
  check(bytes <= 500, `a stream that begins anew sends ${bytes} bytes`);
  await context.close();
};

const bar = (page) => page.locator('#not-live');

const offline = async (site) => {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
  const page = await context.newPage();
  await page.goto(site.url);
  await page.evaluate(() => navigator.serviceWorker.ready);
  await until('the worker takes the page', () => page.evaluate(() => Boolean(navigator.serviceWorker.controller)));
  await page.goto(`${site.url}/`);
  await page.goto(`${site.url}/jar/J03`);
  await context.setOffline(true);
  await page.reload();
  check((await bar(page).innerText()).includes('ast known'), `without network the page does not say that it is old: "${await bar(page).innerText()}"`);
  check((await page.locator('h1').first().innerText()).includes('J03'), 'without network the jar seen before is not shown');
  await page.locator('details[name="quick"] > summary', { hasText: 'Note' }).click();
  const form = page.locator('form[action="/entry/note"]');
  await form.locator('[name="text"]').fill('written without network');
  await form.locator('button.main').click();
  await until('the entry waits', async () => (await bar(page).innerText()).includes('waits'));
  await page.goto(`${site.url}/`).catch(() => {});
  check((await page.locator('main').innerText()).includes('J03'), 'without network the rack seen before is not shown');
  check((await bar(page).innerText()).includes('waits'), 'the waiting entry is forgotten on another page');
  // The same entry in two tabs: sent by both, made once.
  const other = await context.newPage();
  await other.goto(`${site.url}/`).catch(() => {});
  await context.setOffline(false);
  await until('the entry is sent', async () => page.evaluate(() => (localStorage.getItem('kept-entries') ?? '[]') === '[]'));
  await page.goto(`${site.url}/jar/J03`);
  const log = await page.locator('main').innerText();
  check(log.split('written without network').length === 2, `the kept entry was made ${log.split('written without network').length - 1} times`);
  await context.close();
};

const reconnect = async () => {
  let site = await serve('troubled');
  const { port } = site;
  const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
  await page.goto(site.url);
  await until('the page is live', () => page.evaluate(() => document.documentElement.dataset.live === 'yes'));
  await site.stop();
  await until('the page says that it is not live', async () => (await bar(page).isVisible()) && (await bar(page).innerText()).startsWith('Not live'), 45000);
  site = await serve('well', port);
  await until('the page is live again and right', async () => (await bar(page).isHidden()) && (await page.locator('#answer h1').innerText()) === 'All well', 45000);
  // Asleep: hidden pages close their stream, and open it again when looked at.
  await page.evaluate(() => { Object.defineProperty(document, 'hidden', { value: true, configurable: true }); document.dispatchEvent(new Event('visibilitychange')); });
  check(await page.evaluate(() => document.documentElement.dataset.live === 'no'), 'a sleeping page keeps its stream');
  await page.evaluate(() => { Object.defineProperty(document, 'hidden', { value: false, configurable: true }); document.dispatchEvent(new Event('visibilitychange')); });
  await until('the page is live after sleep', () => page.evaluate(() => document.documentElement.dataset.live === 'yes'));
  await page.close();
  await site.stop();
};

const twoAtOnce = async () => {
  const site = await serve('people');
  const [one, two] = await Promise.all([1, 2].map(async () => {
    const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
    const page = await context.newPage();
    await page.goto(`${site.url}/sign-in`);
    await page.fill('#name', 'kim');
    await page.fill('#password', 'alder leaves on still water');
    await page.click('button.main');
    await page.goto(`${site.url}/alarms`);
    return page;
  }));
  const press = (page) => page.locator('#e41 button.main', { hasText: 'Acknowledge' }).click();
  const answers = await Promise.all([one, two].map(async (page) => {
    const [answer] = await Promise.all([page.waitForResponse((r) => r.url().includes('/alarm/41/acknowledge')), press(page)]);
    return answer.status();
  }));
  check(answers.every((status) => status === 303), `two at once: ${answers}`);
  for (const page of [one, two]) await until('both see who knows', async () => (await page.locator('#e41').innerText()).includes('Acknowledged by kim'));
  // A PIN in a third browser, without signing in.
  const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
  const page = await context.newPage();
  await page.goto(`${site.url}/alarms`);
  const form = page.locator('#e38 form[action$="/acknowledge"]');
  await form.locator('select').selectOption('kim');
  await form.locator('[name="pin"]').fill('482913');
  await form.locator('button').click();
  await until('the PIN is good for an acknowledgment', async () => (await page.locator('#e38').innerText()).includes('Acknowledged by kim'));
  await accessibility(site, 'people', 'light', 390);
  await site.stop();
};

for (const mode of ['well', 'troubled']) {
  const site = await serve(mode);
  await step(`${mode}: no page too wide, nothing too small to touch, no error in the console`, () => sizes(site, mode));
  for (const [theme, width] of mode === 'well' ? [['dark', 390]] : [['dark', 390], ['dark', 1280], ['light', 390]]) {
    await step(`${mode}: axe finds nothing serious or critical, ${theme}, ${width} px`, () => accessibility(site, mode, theme, width));
  }
  await step(`${mode}: contrast of the answer lines`, () => answerContrast(site, mode));
  if (mode === 'troubled') {
    await step('200 % zoom', () => zoomed(site));
    await step('keyboard only', () => keyboard(site));
    await step('weight of the views', () => load(site));
    await step('on paper', () => paper(site));
    await step('without network', () => offline(site));
    await step('without script', () => withoutScript(site));
  } else {
    await step('quiet traffic', () => quietTraffic(site));
  }
  await site.stop();
}
await step('ten tasks, no more than four taps each', async () => { const failed = await walk(); check(failed === 0, `${failed} tasks`); });
await step('sleep and restart', reconnect);
await step('two browsers at once', twoAtOnce);
await browser.close();
console.log(`${checks} checks, ${failures.length} failed`);
process.exit(failures.length ? 1 : 0);
