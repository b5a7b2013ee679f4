// Starts the review server (an invented station, no sensor, no store) and a browser.
import { spawn } from 'node:child_process';
import { createServer } from 'node:net';
import { existsSync } from 'node:fs';
import { chromium } from 'playwright-core';

export const CHROMIUM = [process.env.CHROMIUM, '/usr/bin/chromium', '/usr/bin/chromium-browser', '/usr/bin/google-chrome'].find((path) => path && existsSync(path));

/** Every page, with a name for files. */
export const PAGES = [
  ['rack', '/'], ['jar', '/jar/J03'], ['jar-header', '/jar/J10'], ['jar-60', '/jar/J03?days=60'], ['jar-empty', '/jar/J16'], ['days', '/days'], ['plan', `/days?plan=WAE-26-2&change=1&wanted=${new Date(Date.now() + 9 * 86400000).toISOString().slice(0, 10)}`], ['alarms', '/alarms'],
  ['alarm', '/alarms/41'], ['week', '/alarms/week'], ['today', '/today'], ['logbook', '/logbook'], ['load', '/load'], ['siphon', '/logbook?new=siphon&jar=J03'], ['take', '/logbook?new=take'], ['cards', '/cards'], ['season', '/season'], ['sensors', '/sensors'], ['sensor', '/sensors/J03T'],
  ['calculators', '/calculators'], ['messages', '/messages'], ['station', '/station'], ['sign-in', '/sign-in'],
  ['components', '/components'], ['nowhere', '/nowhere'],
];

export const freePort = () => new Promise((done, failed) => {
  const server = createServer().once('error', failed).listen(0, '127.0.0.1', () => {
    const { port } = server.address();
    server.close(() => done(port));
  });
});

/** Nothing started here outlives the test, however it ends. */
const children = new Set();
process.on('exit', () => { for (const child of children) child.kill('SIGKILL'); });
export const begin = (program, words, options) => {
  const child = spawn(program, words, options);
  children.add(child);
  child.once('exit', () => children.delete(child));
  return child;
};

/** Serves the invented station; `mode` is `well`, `troubled`, `people` (troubled, with sign-in), `closed` (the
 *  same, where reading needs a person) or `empty`. */
export const serve = async (mode, wanted) => {
  const port = wanted ?? await freePort();
  const child = begin(process.env.PAGE_REVIEW, [`127.0.0.1:${port}`, mode], { stdio: ['ignore', 'ignore', 'inherit'] });
  const gone = new Promise((done) => child.once('exit', done));
  const url = `http://127.0.0.1:${port}`;
  for (let tries = 0; ; tries += 1) {
    try { await fetch(`${url}/health`); break; } catch (error) {
      if (tries > 100 || child.exitCode !== null) throw error;
      await new Promise((done) => setTimeout(done, 50));
    }
  }
  return { url, port, stop: async () => { child.kill('SIGKILL'); await gone; } };
};

/** A browser, headless, in a profile of its own that is thrown away, and without calls home. */
export const launch = () => chromium.launch({
  executablePath: CHROMIUM,
  args: ['--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});

/** Goes to a page. The monitor asks those who hurry to wait a second; a test does. */
export const visit = async (page, url) => {
  for (let tries = 0; ; tries += 1) {
    const answer = await page.goto(url, { waitUntil: 'load' });
    if (answer.status() !== 429 || tries > 5) return answer;
    await page.waitForTimeout(1000);
  }
};

/** Waits for something to become true, with a limit. */
export const until = async (what, test, limit = 15000) => {
  const end = Date.now() + limit;
  for (;;) {
    // A page that is just being loaded anew cannot be asked.
    const holds = await Promise.resolve().then(test).catch((error) => { if (/context was destroyed|Cannot find context/.test(error.message)) return false; throw error; });
    if (holds) return;
    if (Date.now() > end) throw new Error(`did not happen within ${limit} ms: ${what}`);
    await new Promise((done) => setTimeout(done, 50));
  }
};
