// What a view weighs on the way to the phone, and what a page costs while it is only looked at.
import { check } from './report.mjs';
import { PAGES, until, visit } from './stand.mjs';

const FIRST_BYTES = 60000, FIRST_REQUESTS = 4, LATER_BYTES = 15000;

/** Bytes as packed on the wire, headers included, and requests, without the stream of changes. */
const weigh = async (session, page, url) => {
  let bytes = 0;
  const ids = new Set(), kinds = [];
  const request = (event) => { if (!event.request.url.startsWith('data:') && new URL(event.request.url).pathname !== '/live') { ids.add(event.requestId); kinds.push(new URL(event.request.url).pathname); } };
  const done = (event) => { if (ids.has(event.requestId)) bytes += event.encodedDataLength; };
  session.on('Network.requestWillBeSent', request); session.on('Network.loadingFinished', done);
  await visit(page, url);
  await page.waitForTimeout(200);
  session.off('Network.requestWillBeSent', request); session.off('Network.loadingFinished', done);
  return { bytes, kinds };
};

export const weights = async (browser, site) => {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 }, serviceWorkers: 'block' });
  const page = await context.newPage();
  const session = await context.newCDPSession(page);
  await session.send('Network.enable');
  const first = await weigh(session, page, `${site.url}/`);
  console.log(`    first view: ${(first.bytes / 1000).toFixed(1)} kB in ${first.kinds.length} requests (${first.kinds.join(' ')})`);
  check(first.bytes > 1000 && first.bytes < FIRST_BYTES && first.kinds.length <= FIRST_REQUESTS, `first view: ${first.bytes} bytes, ${first.kinds.length} requests`);
  const later = [];
  for (const [name, to] of PAGES) {
    const { bytes } = await weigh(session, page, site.url + to);
    later.push([bytes, name]);
    check(bytes > 500 && bytes < LATER_BYTES, `later view ${name}: ${bytes} bytes`);
  }
  later.sort((a, b) => b[0] - a[0]);
  console.log(`    later views, heaviest first: ${later.slice(0, 6).map(([bytes, name]) => `${name} ${(bytes / 1000).toFixed(1)} kB`).join(', ')}`);
  await context.close();
};

export const quietTraffic = async (browser, site) => {
  const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
  const page = await context.newPage();
  const session = await context.newCDPSession(page);
  await session.send('Network.enable');
  let bytes = 0;
  // What the stream carries, unpacked; the library reports packed lengths late and in lumps.
  session.on('Network.dataReceived', (event) => { bytes += event.dataLength; });
  let streams = 0;
  session.on('Network.requestWillBeSent', (event) => { streams += Number(new URL(event.request.url).pathname === '/live'); });
  await visit(page, site.url);
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
