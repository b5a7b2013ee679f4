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

const freePort = () => new Promise((done, failed) => {
  const server = createServer().once('error', failed).listen(0, '127.0.0.1', () => {
    const { port } = server.address();
    server.close(() => done(port));
  });
});

/** Serves the invented station; `mode` is `well`, `troubled`, `people` (troubled, with sign-in) or `empty`. */
export const serve = async (mode, wanted) => {
  const port = wanted ?? await freePort();
  const child = spawn(process.env.PAGE_REVIEW, [`127.0.0.1:${port}`, mode], { stdio: ['ignore', 'inherit', 'inherit'] });
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

/** A browser, headless. */
export const launch = () => chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage'] });

/** Waits for something to become true, with a limit. */
export const until = async (what, test, limit = 15000) => {
  const end = Date.now() + limit;
  for (;;) {
    if (await test()) return;
    if (Date.now() > end) throw new Error(`did not happen within ${limit} ms: ${what}`);
    await new Promise((done) => setTimeout(done, 50));
  }
};
